"""Lock-out: how many wrong tries are answered before more of them have to wait. django-axes keeps count.

Counted are the tries for one account from one address, and more generously all tries from one address. Never
those for one account from everywhere: with that anybody could lock anybody out.
"""

from ipaddress import ip_address, ip_network
from typing import Any

import django_otp
from axes.handlers.database import AxesDatabaseHandler
from axes.handlers.proxy import AxesProxyHandler
from django.conf import settings
from django.contrib.auth import authenticate
from django.contrib.auth.signals import user_login_failed
from django.db import transaction
from django.db.models import QuerySet, Sum
from django.http import HttpRequest, HttpResponse
from django.utils.crypto import salted_hmac

from registry.models import AccountEventKind, SecondFactor, User
from registry.signing_in import account_log, recovery

# One address may fail so many times as often as one account from there: a hospital may share one.
ADDRESS_FACTOR = 20
HELD_OFF = "Too many wrong tries from here. Wait {minutes} minutes, then try again."
# Of an IPv6 address the part that one subscriber is given; within it everybody changes theirs at will.
IPV6_SUBSCRIBER_BITS = 64


class LockOut(AxesDatabaseHandler):
    """The count, kept by digest of the name that was typed; nothing else that was sent is kept."""

    def get_failures(self, request: HttpRequest, credentials: dict[str, Any] | None = None) -> int:
        of_pair, of_address = map(_sum, self.get_user_attempts(request, credentials))
        return max(of_pair, of_address // ADDRESS_FACTOR)

    def user_login_failed(
        self, sender: Any, credentials: dict[str, Any], request: Any = None, **kwargs: Any
    ) -> None:
        # All in one transaction, so that a try for an account that exists costs no more writing than another.
        with transaction.atomic():
            was_held_off = bool(request and request.axes_locked_out)
            super().user_login_failed(sender, credentials, request, **kwargs)
            if request and not was_held_off:
                self.filter_user_attempts(request, credentials)[0].update(get_data="", post_data="")
                _note(request, credentials)

    def reset_user_attempts(self, request: HttpRequest, credentials: dict[str, Any] | None = None) -> int:
        # Only of the pair: who owns one account must not clear what the address has tried on others.
        of_pair, _ = self.filter_user_attempts(request, credentials)
        count: int = of_pair.delete()[0]
        return count

    def reset_attempts(
        self, *, ip_address: str | None = None, username: str | None = None, ip_or_username: bool = False
    ) -> int:
        # Of the commands axes_reset_*, which are told a name.
        named = digest(username) if username else None
        count: int = super().reset_attempts(
            ip_address=ip_address, username=named, ip_or_username=ip_or_username
        )
        return count


def digest(name: str) -> str:
    """A typed name as it is kept: keyed, since many type their password into the wrong field."""
    return salted_hmac("registry.signing_in.lockout", name, algorithm="sha256").hexdigest()


def digest_of_name(request: HttpRequest, credentials: dict[str, Any] | None = None) -> str:
    """settings.AXES_USERNAME_CALLABLE."""
    return digest(str((credentials or {}).get("username") or ""))


def counted_address(request: HttpRequest) -> str | None:
    """settings.AXES_CLIENT_IP_CALLABLE: the address that tries are counted by; none where there is none."""
    said = account_log.address_of(request)
    if said is None or ip_address(said).version == 4:
        return said
    return str(ip_network((said, IPV6_SUBSCRIBER_BITS), strict=False).network_address)


def own_answer(request: HttpRequest, answer: HttpResponse, credentials: object = None) -> HttpResponse:
    """settings.AXES_LOCKOUT_CALLABLE: the pages say themselves that a try was held off."""
    return answer


def is_held_off(request: HttpRequest, person: User) -> bool:
    """Whether tries for this person from this address have to wait."""
    return not AxesProxyHandler.is_allowed(request, {"username": person.username})


def held_off_words() -> str:
    minutes = int(settings.AXES_COOLOFF_TIME.total_seconds() // 60)
    return HELD_OFF.format(minutes=minutes)


def password_is_right(request: HttpRequest, person: User, password: str) -> bool:
    """Whether this is the person's password; a wrong one is counted, and none is tried while held off."""
    return authenticate(request, username=person.username, password=password) == person


def code_is_right(request: HttpRequest, factor: SecondFactor, code: str) -> bool:
    """Whether this is a code of now; a wrong one is counted as a wrong password is."""
    if is_held_off(request, factor.user):
        return False
    if django_otp.verify_token(factor.user, factor.persistent_id, code):
        return True
    _count_wrong_code(request, factor.user)
    return False


def recovery_code_is_right(request: HttpRequest, person: User, text: str) -> bool:
    """Whether this is an unused recovery code; a wrong one is counted as a wrong password is."""
    if is_held_off(request, person):
        return False
    if recovery.takes(person, text, request):
        return True
    _count_wrong_code(request, person)
    return False


def _count_wrong_code(request: HttpRequest, person: User) -> None:
    user_login_failed.send(__name__, credentials={"username": person.username}, request=request)


def _sum(attempts: "QuerySet[Any]") -> int:
    return attempts.aggregate(all=Sum("failures_since_start"))["all"] or 0


def _note(request: Any, credentials: dict[str, Any]) -> None:
    """What happened to the account, where the typed name is one's. Both ways take the same look-up."""
    person = User.objects.filter(username=str(credentials.get("username") or "")).first()
    if person is None:
        return
    account_log.note(person, AccountEventKind.REFUSED, request)
    if request.axes_locked_out:
        account_log.note(person, AccountEventKind.HELD_OFF, request)
