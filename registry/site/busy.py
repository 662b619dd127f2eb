"""What is told when a change was not made because somebody else's was under way, or came first.

It was tried again where that was possible (registry/retrying.py). Nothing of it is on record, so it may be
sent again; neither is it a defect, so it is no "500". Pages that show both versions answer before this does.
"""

from typing import Any

from django.db import OperationalError
from django.http import HttpRequest, HttpResponse, HttpResponseBase

from registry.recording import ChangedMeanwhile
from registry.retrying import is_broken_off, is_timed_out
from registry.site.error_pages import error_page

TRY_AGAIN_SECONDS = "5"


class Busy:
    """503 with a time to come back, where the error will pass; 409 where somebody else changed the entry."""

    def __init__(self, get_response: Any) -> None:
        self._get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response: HttpResponseBase = self._get_response(request)
        return response

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        if isinstance(error, OperationalError) and (is_broken_off(error) or is_timed_out(error)):
            return error_page(request, 503, **{"Retry-After": TRY_AGAIN_SECONDS})
        return error_page(request, 409) if isinstance(error, ChangedMeanwhile) else None
