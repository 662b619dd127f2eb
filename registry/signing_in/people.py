"""What an administrator does with the accounts of a unit's people: gives and takes roles, closes and opens.

No act leaves a unit without an administrator who can sign in, and none reaches into a unit that the
administrator does not manage. Every act stands in the account's log with who did it.
"""

from django.db.models import Q, QuerySet
from django.http import HttpRequest

from registry.models import AccountEventKind, Invitation, Membership, Unit, User
from registry.recording import record
from registry.retrying import retried
from registry.signing_in.account_log import note
from registry.signing_in.invitations import take_back, take_back_ways_from_elsewhere
from registry.signing_in.managing import (
    IS_CLOSED,
    Refused,
    elsewhere,
    hold_all_as,
    hold_as,
    hold_person,
    whom_to_ask,
)
from registry.signing_in.sessions import end_all
from registry.vocabulary import Role

LAST_ADMINISTRATOR = (
    "{unit} would have no administrator who can sign in. Make somebody else its administrator first."
)
IS_OPEN = "The account is open."


def set_roles(unit: Unit, person: User, wanted: set[Role], by: User, request: HttpRequest) -> int:
    """Give a person these roles in the unit and no others; how many were given or taken."""

    def work() -> int:
        hold_as(by, unit)
        is_open = hold_person(person).is_active
        held = {Role(role) for role in _roles(unit, person).values_list("role", flat=True)}
        given, taken = wanted - held, held - wanted
        if given and not is_open:
            raise Refused(IS_CLOSED)
        for role in sorted(given):
            record(Membership(user=person, unit=unit, role=role))
            note(person, AccountEventKind.ROLE_GIVEN, request, by, f"{role.label}, {unit}")
        if given:
            take_back_ways_from_elsewhere(person, unit)
        _take(unit, person, taken, by, request)
        return len(given) + len(taken)

    return retried(work)


def close(unit: Unit, person: User, by: User, request: HttpRequest) -> bool:
    """Close an account, which keeps its roles; True when it is closed.

    Where it holds roles in units that are not for `by` to manage, only those in this unit are taken: False.
    """

    def work() -> bool:
        hold_all_as(by, unit, person)
        hold_person(person)
        if elsewhere(by, person):
            set_roles(unit, person, set(), by, request)
            return False
        _close(person, by, request)
        return True

    return retried(work)


def reopen(unit: Unit, person: User, by: User, request: HttpRequest) -> None:
    """Open a closed account again; it is left as it was, second factor and all."""

    def work() -> None:
        hold_all_as(by, unit, person)
        hold_person(person)
        if beyond := elsewhere(by, person):
            raise Refused(f"The account also holds roles elsewhere. {whom_to_ask(beyond)}")
        if not User.objects.filter(pk=person.pk, is_active=False).update(is_active=True):
            raise Refused(IS_OPEN)
        note(person, AccountEventKind.OPENED, request, by)

    retried(work)


def _close(person: User, by: User, request: HttpRequest) -> None:
    if not User.objects.filter(pk=person.pk, is_active=True).update(is_active=False):
        raise Refused(IS_CLOSED)
    for each in Unit.objects.filter(pk__in=person.memberships.values("unit")):
        _keeps_an_administrator(each)
    end_all(person)
    take_back(Invitation.objects.filter(Q(made_by=person) | Q(person=person)))
    note(person, AccountEventKind.CLOSED, request, by)


def _take(unit: Unit, person: User, taken: set[Role], by: User, request: HttpRequest) -> None:
    _roles(unit, person).filter(role__in=taken).delete()
    for role in sorted(taken):
        note(person, AccountEventKind.ROLE_TAKEN, request, by, f"{role.label}, {unit}")
    if Role.ADMINISTRATOR in taken:
        _keeps_an_administrator(unit)
        # A way back leads into every unit of its person: theirs made elsewhere go too.
        theirs = Invitation.objects.filter(made_by=person)
        take_back(theirs.filter(Q(unit=unit) | Q(person__isnull=False)))


def _roles(unit: Unit, person: User) -> QuerySet[Membership]:
    return Membership.objects.filter(unit=unit, user=person)


def _keeps_an_administrator(unit: Unit) -> None:
    left = Membership.objects.filter(unit=unit, role=Role.ADMINISTRATOR, user__is_active=True)
    if not left.exists():
        raise Refused(LAST_ADMINISTRATOR.format(unit=unit))
