"""One line for each request, and the name by which it is found: the request's id.

The line tells the pattern of the address, never the address itself: tokens of patients stand in addresses,
and after them what was looked for. It tells who by key, and nothing that was sent or answered.
"""

import logging
import re
import time
from collections.abc import Callable
from uuid import uuid4

from django.conf import settings
from django.http import HttpRequest, HttpResponseBase
from whitenoise.middleware import WhiteNoiseFileResponse

from registry.models import User
from registry.site.log_lines import request_id

HEADER = "X-Request-ID"
# 32 hexadecimal digits, or those of a UUID (RFC 9562, section 4): nothing else is taken over into the log.
WELL_FORMED = re.compile(r"[0-9a-f]{32}|[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII)
# RFC 9110, section 9.1, and RFC 5789. A method may be any word, so others are not told.
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT")

logger = logging.getLogger(__name__)

Answer = Callable[[HttpRequest], HttpResponseBase]


def request_log(get_response: Answer) -> Answer:
    """The outermost middleware: gives each request its id, answers with it, and writes its line."""

    def answer(request: HttpRequest) -> HttpResponseBase:
        said, began = _id_of(request), time.monotonic()
        request.request_id = said  # type: ignore[attr-defined]
        token = request_id.set(said)
        try:
            response = get_response(request)
            response.headers[HEADER] = said
            _write(request, response, began)
        finally:
            request_id.reset(token)
        return response

    return answer


def _id_of(request: HttpRequest) -> str:
    """As the proxy says, where a proxy is trusted and what it says is an id; else a new one."""
    said = request.headers.get(HEADER, "").lower() if settings.BEHIND_TLS_PROXY else ""
    return said if WELL_FORMED.fullmatch(said) else uuid4().hex


def _write(request: HttpRequest, response: HttpResponseBase, began: float) -> None:
    told = {
        "method": request.method if request.method in METHODS else "other",
        "route": _route(request, response),
        "status": response.status_code,
        "ms": round((time.monotonic() - began) * 1000),
        "user": _user_key(request),
    }
    level = logging.ERROR if response.status_code >= 500 else logging.INFO
    logger.log(level, "Answered.", extra=told)


def _route(request: HttpRequest, response: HttpResponseBase) -> str:
    if request.resolver_match:
        return request.resolver_match.route or "/"
    return "a static file" if isinstance(response, WhiteNoiseFileResponse) else "no page"


def _user_key(request: HttpRequest) -> int | None:
    """Who asked, where that was found out to answer; it is not asked for the line's sake."""
    known = (request.__dict__.get("_cached_user"), request.__dict__.get("user"))
    return next((each.pk for each in known if type(each) is User), None)
