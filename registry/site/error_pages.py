"""Pages in place of the one that was asked for: in words, with the request's id, and nothing that was sent.

They ask the database nothing, since it may be what broke; under /api/ the same is told as RFC 9457 has it.
"""

import sys
from http import HTTPStatus
from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string

from registry.api.problems import MEDIA_TYPE
from registry.retrying import is_out_of_service

LOST = (
    "The database cannot be reached or has no room. Nobody knows whether a change that was just sent is on "
    "record: read it again, or send it again under the same idempotency key."
)


def bad_request(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """400: a host name, a form or a cookie that no browser would send."""
    return error_page(request, 400)


def server_error(request: HttpRequest) -> HttpResponse:
    """503 where the database is out of service; else 500, a defect of ours."""
    if is_out_of_service(sys.exception()):
        return error_page(request, 503, "lost", LOST)
    return error_page(request, 500)


def error_page(
    request: HttpRequest, status: int, name: str = "", detail: str = "", **headers: str
) -> HttpResponse:
    """The page of a status, or one of a name of its own; for a program its problem."""
    said = {"request_id": getattr(request, "request_id", "")}
    if request.path_info.startswith("/api/"):
        told: dict[str, Any] = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status}
        told |= {"detail": detail} if detail else {}
        return JsonResponse(told | said, status=status, content_type=MEDIA_TYPE, headers=headers)
    page = render_to_string(f"{name or status}.html", said)
    return HttpResponse(page, status=status, headers=headers)
