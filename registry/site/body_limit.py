"""Bodies larger than any page takes are refused before a byte of them is read, whoever sends them.

Django bounds the fields of a form, but would write files of any size to disk for anybody, signed in or not.
Only the page that takes old records takes a file; what is a little too large for it is told there, in its own
words. The API bounds its bodies itself.
"""

from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseBase

from registry.intake.file.limits import LIMIT_BYTES
from registry.site.error_pages import error_page

TAKES_FILES = frozenset({"new_intake"})


class BodyLimit:
    """Before the check against forged requests, which reads the body."""

    def __init__(self, get_response: Any) -> None:
        self._get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response: HttpResponseBase = self._get_response(request)
        return response

    def process_view(self, request: HttpRequest, *_: Any) -> HttpResponse | None:
        return error_page(request, 413) if _declared(request) > _most(request) else None


def _declared(request: HttpRequest) -> int:
    said = request.META.get("CONTENT_LENGTH") or "0"
    return int(said) if said.isascii() and said.isdigit() else 0


def _most(request: HttpRequest) -> int:
    match = request.resolver_match
    if match and match.url_name in TAKES_FILES:
        return 2 * LIMIT_BYTES
    return settings.DATA_UPLOAD_MAX_MEMORY_SIZE or 0
