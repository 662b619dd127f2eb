"""Every page of a knee that is shown is noted as an opening: whatever has `knee` in its address.

One place for all of them, of this app and of whatever comes later; who may see a page is not decided here.
"""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from registry.models import OpeningKind, User
from registry.rights import openings

# Shown: the page itself, or the page again with what is to be mended or was changed meanwhile.
SHOWN = (200, 409, 422)
KINDS = {"knee_fhir": OpeningKind.FHIR}
# These ask why first and note it themselves; before that they show nothing of the record.
NOTE_THEMSELVES = ("identity", "correct_identity", "patient_file")


def note_openings(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[..., HttpResponse]:
    """Middleware, anywhere after that of sign-in."""

    def answer(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        match = request.resolver_match
        if match and "knee" in match.kwargs and response.status_code in SHOWN:
            name = match.url_name or ""
            if isinstance(request.user, User) and name not in NOTE_THEMSELVES:
                openings.note_knee(match.kwargs["knee"], request.user, KINDS.get(name, OpeningKind.STORY))
        return response

    return answer
