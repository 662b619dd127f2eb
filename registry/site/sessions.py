"""The session's cookie, kept in place where several requests of one page are answered out of order.

And the session told where the request comes from, for the list of sessions that its person sees.
"""

from typing import Any

from django.conf import settings
from django.contrib.sessions.middleware import SessionMiddleware

from registry.signing_in.account_log import address_of, browser_of


class SteadySessionMiddleware(SessionMiddleware):
    """A cookie whose session has ended is left alone, unless this very request ended it.

    A page may have two requests on their way when its session ends. The answer to one begins a new session,
    which holds what was typed; the answer to the other, coming later, would take that cookie away again.
    """

    def process_request(self, request: Any) -> None:
        super().process_request(request)
        request.session.address, request.session.browser = address_of(request), browser_of(request)

    def process_response(self, request: Any, response: Any) -> Any:
        answer = super().process_response(request, response)
        if not request.session.modified:
            answer.cookies.pop(settings.SESSION_COOKIE_NAME, None)
        return answer
