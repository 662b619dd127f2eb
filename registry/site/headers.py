"""Headers of every answer: what a browser may keep, and whom it may tell where it came from.

One middleware instead of a word in every view, so that no view can forget it. A view that says something of
its own about keeping, such as the API with its entity tags, is heard.
"""

from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponseBase
from whitenoise.middleware import WhiteNoiseFileResponse

# Of every answer, static files and refusals of the outer middleware among them. Sharing of windows is
# django.middleware.security's.
ALWAYS = {
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
# A page whose address holds a token tells no page its address, our own among them. "no-referrer" would tell
# even less, but then browsers send forms with "Origin: null" (Fetch standard, "append a request Origin
# header"), which the check against forged requests has to refuse.
REFERRER_OF_TOKENS = "strict-origin"

Answer = Callable[[HttpRequest], HttpResponseBase]


def headers(get_response: Answer) -> Answer:
    """Adds what a view, or a middleware within, has not set itself."""

    def answer(request: HttpRequest) -> HttpResponseBase:
        response = get_response(request)
        for name, value in ALWAYS.items():
            response.headers.setdefault(name, value)
        if not isinstance(response, WhiteNoiseFileResponse):
            response.headers.setdefault("Cache-Control", "no-store")
        if _has_token(request):
            response.headers["Referrer-Policy"] = REFERRER_OF_TOKENS
        response.headers.setdefault("Referrer-Policy", settings.SECURE_REFERRER_POLICY)
        return response

    return answer


def _has_token(request: HttpRequest) -> bool:
    return request.resolver_match is not None and "token" in request.resolver_match.kwargs
