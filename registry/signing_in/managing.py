"""Who manages a unit at this moment: asked anew once the unit is held, since a page was opened before that.

Whoever acts on people holds first the units, in the order of their keys, then the person, then invitations:
so no two wait for each other.
"""

from collections.abc import Iterable

from django.db.models import Q

from registry.access import Action, units_beyond, units_for
from registry.isolation.scope import whole_house
from registry.models import Unit, User

IS_CLOSED = "The account is closed. Open it first."
NO_LONGER_YOURS = "You do not manage {unit} any more. Nothing was done."


class Refused(Exception):  # noqa: N818 - an answer, not a fault
    """Why an act on an account was not done, in words for who asked."""


def hold(unit: Unit) -> None:
    """Until the end of the transaction nobody else gives or takes roles of this unit."""
    Unit.objects.select_for_update(no_key=True).get(pk=unit.pk)


def hold_as(by: User | None, unit: Unit) -> None:
    """The same for whoever acts there, if they manage it still; None is whoever runs the server.

    Raises
    ------
    Refused
        They do not, by now.
    """
    hold(unit)
    _refuse_who_manages_no_more(by, unit)


def hold_all_as(by: User, unit: Unit, person: User) -> None:
    """The same, and every other unit in which the person holds a role."""
    with whole_house():
        theirs = Unit.objects.filter(Q(pk=unit.pk) | Q(pk__in=person.memberships.values("unit")))
        list(theirs.order_by("pk").select_for_update(no_key=True))
    _refuse_who_manages_no_more(by, unit)


def hold_person(person: User) -> User:
    """The account as it is now; until the end of the transaction nobody else opens, closes or appoints it."""
    held: User = User.objects.select_for_update(no_key=True).get(pk=person.pk)
    return held


def manages(person: User, unit: Unit) -> bool:
    """Whether this person, as their account is on record now, manages the unit."""
    with whole_house():
        as_on_record = User.objects.get(pk=person.pk)
        return units_for(as_on_record, Action.MANAGE_UNIT).filter(pk=unit.pk).exists()


def elsewhere(administrator: User, person: User) -> list[Unit]:
    """Where a person holds roles that this administrator does not manage."""
    with whole_house():
        return list(units_beyond(administrator, person))


def whom_to_ask(units: Iterable[Unit]) -> str:
    """In words, who manages an account that reaches into these units."""
    return (
        f"Ask an administrator of {' and of '.join(unit.name for unit in units)}, or whoever runs the server."
    )


def _refuse_who_manages_no_more(by: User | None, unit: Unit) -> None:
    if by is not None and not manages(by, unit):
        raise Refused(NO_LONGER_YOURS.format(unit=unit))
