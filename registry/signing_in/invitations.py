"""Invitations: a link that lets one person in, once, to an account that only they know the password of.

The same kind of link leads back in whoever lost password or second factor. It is handed over personally:
nothing is sent. Of its token a digest is kept. Unknown, used, expired and taken back are one and the same to
whoever holds it.
"""

import hashlib
import secrets
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import timedelta

from django.db.models import Q, QuerySet
from django.http import HttpRequest
from django.utils import timezone

from registry.api.keys import take_back_all
from registry.isolation import scope
from registry.models import AccountEventKind, Invitation, Membership, SecondFactor, Unit, User
from registry.recording import record
from registry.retrying import retried
from registry.signing_in import second_factor
from registry.signing_in.account_log import note
from registry.signing_in.managing import (
    IS_CLOSED,
    Refused,
    elsewhere,
    hold,
    hold_as,
    hold_person,
    manages,
    whom_to_ask,
)
from registry.signing_in.passwords import set_password
from registry.signing_in.sessions import end_all
from registry.vocabulary import Role

VALID_FOR = timedelta(hours=72)
# 256 bits.
TOKEN_BYTES = 32
WAY_BACK = "Way back into the account"
NO_WAY_BACK = "The account also holds roles elsewhere, and a way back would lead in there too. {whom}"


class NoLongerOpen(Exception):  # noqa: N818 - a state of affairs, not a mistake
    """Since it was looked up somebody used it or took it back, or its maker may let nobody in any more."""


@dataclass(frozen=True, slots=True)
class NewAccount:
    """What somebody invited says of themselves."""

    username: str
    first_name: str
    last_name: str
    password: str


def invite(
    unit: Unit, roles: Iterable[Role], label: str, by: User | None, request: HttpRequest | None = None
) -> str:
    """The token of an invitation to a new account with these roles. It can be read this once.

    Raises
    ------
    registry.signing_in.managing.Refused
        Whoever invites does not manage the unit any more.
    """
    codes = [Role(role).value for role in roles]

    def work() -> str:
        hold_as(by, unit)
        token = _made(Invitation(unit=unit, roles=codes, label=label, made_by=by))
        if by:
            note(by, AccountEventKind.INVITED, request, about=f"{label}, {unit}"[:200])
        return token

    return retried(work)


def way_back(unit: Unit, person: User, by: User | None, request: HttpRequest | None = None) -> str:
    """The token that leads a person back into their account; any made for them before opens nothing more.

    Raises
    ------
    registry.signing_in.managing.Refused
        The account is closed, or reaches where whoever makes it does not manage.
    """

    def work() -> str:
        hold_as(by, unit)
        if not hold_person(person).is_active:
            raise Refused(IS_CLOSED)
        if by and (beyond := elsewhere(by, person)):
            raise Refused(NO_WAY_BACK.format(whom=whom_to_ask(beyond)))
        take_back(Invitation.objects.filter(person=person))
        label = person.shown_name[:80]
        token = _made(Invitation(unit=unit, person=person, label=label, made_by=by))
        note(person, AccountEventKind.INVITED, request, by, WAY_BACK)
        return token

    return retried(work)


def standing() -> QuerySet[Invitation]:
    """Invitations that may still be used."""
    return Invitation.objects.filter(_unused(), Q(person=None) | Q(person__is_active=True))


@contextmanager
def held(token: str) -> Iterator[Invitation | None]:
    """The invitation that a token opens, with its unit in sight meanwhile; None where it opens nothing."""
    digest = digest_of(token)
    with scope.scoped(replace(scope.now(), invitation=digest)):
        found = standing().filter(digest=digest).first()
        if found is None:
            yield None
            return
        with scope.within([found.unit_id]):
            yield found if _may_let_in(found) else None


def take_up(invitation: Invitation, account: NewAccount, request: HttpRequest) -> User:
    """The account of somebody invited, with the roles they are invited to.

    Raises
    ------
    NoLongerOpen
        Somebody was quicker, or its maker may let nobody in any more.
    django.core.exceptions.ValidationError, django.db.IntegrityError
        The user name is taken.
    """

    def work() -> User:
        hold(invitation.unit)
        _use(invitation)
        user = User(username=account.username, first_name=account.first_name, last_name=account.last_name)
        user.set_password(account.password)
        record(user)
        note(
            user, AccountEventKind.INVITATION_USED, request, about=f"By {invitation.made_by or 'the server'}"
        )
        _give_roles(invitation, user, request)
        return user

    return retried(work)


def take_up_as(invitation: Invitation, person: User, request: HttpRequest) -> None:
    """The roles of an invitation for somebody who has an account already."""

    def work() -> None:
        hold(invitation.unit)
        _hold_open(person)
        _use(invitation)
        note(person, AccountEventKind.INVITATION_USED, request)
        _give_roles(invitation, person, request)

    retried(work)


def come_back(invitation: Invitation, password: str, request: HttpRequest) -> None:
    """A new password, without any second factor; every session ended, every access key taken back."""

    def work() -> None:
        hold(invitation.unit)
        person = _hold_open(invitation.person)
        _use(invitation)
        set_password(person, password, request)
        if SecondFactor.objects.filter(user=person).exists():
            second_factor.take_off(person, request, invitation.made_by)
        end_all(person)
        take_back_all(person, request, invitation.made_by)
        note(person, AccountEventKind.INVITATION_USED, request, invitation.made_by, WAY_BACK)

    retried(work)


def take_back(invitations: QuerySet[Invitation]) -> int:
    """From now on they open nothing, whichever unit made them; how many did until now."""
    with scope.whole_house():
        return invitations.filter(_unused()).update(taken_back_at=timezone.now())


def take_back_ways_from_elsewhere(person: User, unit: Unit) -> None:
    """A person gets a role in a unit: a way back that another unit made would now lead in there as well."""
    take_back(Invitation.objects.filter(person=person).exclude(unit=unit))


def digest_of(token: str) -> str:
    """What is kept of a token: SHA-256 (FIPS 180-4)."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def _made(invitation: Invitation) -> str:
    token = secrets.token_urlsafe(TOKEN_BYTES)
    invitation.digest = digest_of(token)
    invitation.expires_at = invitation.made_at + VALID_FOR
    record(invitation)
    return token


def _unused() -> Q:
    return Q(used_at=None, taken_back_at=None, expires_at__gt=timezone.now())


def _use(invitation: Invitation) -> None:
    """Use it, unless somebody did: of two at once the second waits here, and finds it used.

    Conditions on the row's own columns alone: PostgreSQL looks at these again once the first is done, not at
    what another table said before. Its maker is judged only then, as things are now.
    """
    if not Invitation.objects.filter(_unused(), digest=invitation.digest).update(used_at=timezone.now()):
        raise NoLongerOpen
    if not _may_let_in(invitation):
        raise NoLongerOpen


def _may_let_in(invitation: Invitation) -> bool:
    """Whether its maker might make it now; whoever runs the server always may."""
    maker, person = invitation.made_by, invitation.person
    if maker is None:
        return True
    return manages(maker, invitation.unit) and not (person and elsewhere(maker, person))


def _hold_open(person: User | None) -> User:
    """The account of who takes it up, held; closed by now, it is let in nowhere."""
    if person is None or not (held := hold_person(person)).is_active:
        raise NoLongerOpen
    return held


def _give_roles(invitation: Invitation, user: User, request: HttpRequest) -> None:
    take_back_ways_from_elsewhere(user, invitation.unit)
    held = set(Membership.objects.filter(user=user, unit=invitation.unit_id).values_list("role", flat=True))
    for role in (Role(code) for code in invitation.roles if code not in held):
        record(Membership(user=user, unit=invitation.unit, role=role))
        note(
            user, AccountEventKind.ROLE_GIVEN, request, invitation.made_by, f"{role.label}, {invitation.unit}"
        )
