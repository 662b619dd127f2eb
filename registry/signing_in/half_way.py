"""Between the password and the code: the session knows who gave the right password, and when, and no more."""

from django.conf import settings
from django.http import HttpRequest
from django.utils import timezone

from registry.models import User

_IN_SESSION = "half way in"


def begin(request: HttpRequest, person: User) -> None:
    """The right password was given; the session gets another key, so that nobody knows it from before."""
    request.session.cycle_key()
    request.session[_IN_SESSION] = {"person": person.pk, "at": timezone.now().timestamp()}


def person_in(request: HttpRequest) -> User | None:
    """Who gave the right password within settings.HALF_WAY_FOR."""
    state = request.session.get(_IN_SESSION)
    if state is None:
        return None
    if not 0 <= timezone.now().timestamp() - state["at"] < settings.HALF_WAY_FOR.total_seconds():
        end(request)
        return None
    return User.objects.filter(pk=state["person"], is_active=True).first()


def end(request: HttpRequest) -> None:
    request.session.pop(_IN_SESSION, None)
