"""The scope of a request: set once it is known who asks, taken back when it is answered, failed or not."""

from collections.abc import Callable
from typing import Any

from django.db import DEFAULT_DB_ALIAS, connections
from django.http import HttpRequest, HttpResponse

from registry.access import Person, keys_of_own_units
from registry.isolation import scope
from registry.models import User
from registry.patient_link.token import link_of

PATIENTS_PAGE = "patient_link"


class ScopeMiddleware:
    """Stands right after whoever finds out who is signed in; signed out, nothing of any unit shows.

    A connection may be kept for the next request, of somebody else: what is set here holds no longer than
    this.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self._get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if connections[DEFAULT_DB_ALIAS].vendor != "postgresql":
            return self._get_response(request)
        with scope.serving():
            enter(request.user)
            return self._get_response(request)

    def process_view(self, request: HttpRequest, view: Any, args: Any, kwargs: dict[str, Any]) -> None:
        """A patient's page shows the patient of its link, once the link is one that this site signed."""
        match = request.resolver_match
        if match and match.url_name == PATIENTS_PAGE and (link := link_of(kwargs["token"])):
            scope.narrow(scope.Scope(link=link))


def enter(person: Person) -> None:
    """From now on, until the request is answered, the units of this person show."""
    if not isinstance(person, User) or not scope.is_restricted(connections[DEFAULT_DB_ALIAS]):
        return
    # Their own memberships first, which say the rest.
    scope.narrow(scope.Scope(person=person.pk))
    scope.narrow(scope.Scope(person=person.pk, units=tuple(keys_of_own_units(person))))


def on_signing_in(user: User, request: HttpRequest | None = None, **_: Any) -> None:
    """Who signs in on this very page, or by a key, is the one who asks from here on."""
    if scope.is_serving():
        enter(user)
