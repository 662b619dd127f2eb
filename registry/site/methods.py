"""Methods that no page of the site knows are refused before any page is asked.

A view that names no methods of its own takes every one that is not POST for GET. TRACE, above all, is never
answered: a server that echoes a request shows its cookies to whoever made the browser ask.
"""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponseBase

from registry.site.error_pages import error_page

# RFC 9110, section 9.1, but for TRACE and CONNECT; and RFC 5789.
KNOWN = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")

Answer = Callable[[HttpRequest], HttpResponseBase]


def known_methods(get_response: Answer) -> Answer:
    """405 for every other method, whatever the address."""

    def answer(request: HttpRequest) -> HttpResponseBase:
        if request.method in KNOWN:
            return get_response(request)
        return error_page(request, 405, Allow=", ".join(KNOWN))

    return answer
