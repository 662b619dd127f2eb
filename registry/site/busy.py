"""What is told when a change was not made because somebody else's was under way, or came first.

It was tried again where that was possible (registry/retrying.py). Nothing of it is on record, so it may be
sent again; neither is it a defect, so it is no "500". Pages that show both versions answer before this does.
"""

from typing import Any

from django.db import OperationalError
from django.http import HttpRequest, HttpResponse, HttpResponseBase

from registry.recording import ChangedMeanwhile
from registry.retrying import is_broken_off
from registry.site.error_pages import error_page

# PostgreSQL, appendix A: lock_not_available, query_canceled (by its time-out).
TIMED_OUT = frozenset({"55P03", "57014"})
TRY_AGAIN_SECONDS = "5"


class Busy:
    """503 with a time to come back, where the error will pass; 409 where somebody else changed the entry."""

    def __init__(self, get_response: Any) -> None:
        self._get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response: HttpResponseBase = self._get_response(request)
        return response

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        if isinstance(error, OperationalError) and (is_broken_off(error) or _timed_out(error)):
            return error_page(request, 503, **{"Retry-After": TRY_AGAIN_SECONDS})
        return error_page(request, 409) if isinstance(error, ChangedMeanwhile) else None


def _timed_out(error: OperationalError) -> bool:
    cause = error.__cause__
    is_locked = getattr(cause, "sqlite_errorname", None) == "SQLITE_BUSY"
    return is_locked or getattr(cause, "sqlstate", None) in TIMED_OUT
