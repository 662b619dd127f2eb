"""Between the password and the code: the session knows who gave the right password, and when, and no more.

Which password that was stands there as the digest that sessions keep of it, so that a new one ends it.
"""

from django.conf import settings
from django.http import HttpRequest
from django.utils import timezone
from django.utils.crypto import constant_time_compare

from registry.models import User

_IN_SESSION = "half way in"


def begin(request: HttpRequest, person: User) -> None:
    """The right password was given; the session gets another key, so that nobody knows it from before."""
    request.session.cycle_key()
    request.session[_IN_SESSION] = {
        "person": person.pk,
        "at": timezone.now().timestamp(),
        "password": person.get_session_auth_hash(),
    }


def person_in(request: HttpRequest) -> User | None:
    """Who gave the password that is still right within settings.HALF_WAY_FOR."""
    state = request.session.get(_IN_SESSION)
    if state is None:
        return None
    if not 0 <= timezone.now().timestamp() - state["at"] < settings.HALF_WAY_FOR.total_seconds():
        end(request)
        return None
    person: User | None = User.objects.filter(pk=state["person"], is_active=True).first()
    if person is None or not constant_time_compare(state["password"], person.get_session_auth_hash()):
        end(request)
        return None
    return person


def end(request: HttpRequest) -> None:
    request.session.pop(_IN_SESSION, None)
