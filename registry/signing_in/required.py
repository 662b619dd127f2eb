"""Who must have a second factor, and what of the site is open to them while they have none: setting one up.

With settings.SECOND_FACTOR "required" that is everybody whose role sees identities, takes in, releases or
manages a unit (`registry.access.GUARDED`); with "offered" nobody.
"""

from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from registry.access import GUARDED, Person, actions_of
from registry.signing_in import second_factor

REQUIRED, OFFERED = "required", "offered"
SET_UP = "set_up_second_factor"
# Addresses by name: to set one up, to confirm who it is before that, and to leave.
STAYS_OPEN = frozenset({SET_UP, "confirm", "sign_out"})


def must_have(person: Person) -> bool:
    """Whether this person may do nothing without a second factor."""
    return bool(settings.SECOND_FACTOR == REQUIRED and actions_of(person) & GUARDED)


def lacks(person: Person) -> bool:
    """Whether this person must have a second factor and has none."""
    return must_have(person) and second_factor.of(person) is None  # type: ignore[arg-type]


class SecondFactorMiddleware:
    """Sends whoever must have a second factor and has shown none in this session to where they do.

    It stands behind django_otp's own middleware, by which the session knows which factor was shown.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: object, args: object, kwargs: object
    ) -> HttpResponse | None:
        if settings.SECOND_FACTOR != REQUIRED or not request.user.is_authenticated:
            return None
        name = request.resolver_match.view_name if request.resolver_match else ""
        if name in STAYS_OPEN or _has_shown_one(request.user) or not must_have(request.user):
            return None
        if second_factor.of(request.user) is None:
            return redirect(SET_UP)
        return redirect(f"{reverse('confirm')}?{urlencode({'next': _way_on(request)})}")


def _way_on(request: HttpRequest) -> str:
    """The address asked for; Today after a change, or where the address holds a token, which is a secret."""
    match = request.resolver_match
    holds_a_token = match is not None and "token" in match.kwargs
    return request.get_full_path() if request.method == "GET" and not holds_a_token else reverse("today")


def _has_shown_one(person: Any) -> bool:
    return bool(person.is_verified())
