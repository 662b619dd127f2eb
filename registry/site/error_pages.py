"""Pages in place of the one that was asked for: in words, with the request's id, and nothing that was sent.

They ask the database nothing, since it may be what broke; under /api/ the same is told as RFC 9457 has it.
"""

from http import HTTPStatus
from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string

from registry.api.problems import MEDIA_TYPE


def bad_request(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """400: a host name, a form or a cookie that no browser would send."""
    return error_page(request, 400)


def server_error(request: HttpRequest) -> HttpResponse:
    """500: a defect of ours."""
    return error_page(request, 500)


def error_page(request: HttpRequest, status: int, **headers: str) -> HttpResponse:
    """The page of a status, or its problem for a program."""
    said = getattr(request, "request_id", "")
    if request.path_info.startswith("/api/"):
        told: dict[str, Any] = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status}
        return JsonResponse(
            told | {"request_id": said}, status=status, content_type=MEDIA_TYPE, headers=headers
        )
    page = render_to_string(f"{status}.html", {"request_id": said})
    return HttpResponse(page, status=status, headers=headers)
