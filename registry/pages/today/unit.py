"""Today without the record: counts for a coordinator, the people of the unit for an administrator."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from django.db.models import Count

from registry.models import IndexProcedure, Membership, Repair, Surgeon, User
from registry.pages.tables import Table, at_least
from registry.pages.today.listing import Units


@dataclass(frozen=True, slots=True)
class UnitMember:
    """One person of one unit with their roles there."""

    name: str
    unit: str
    roles: str


def counts(units: Units) -> Table | None:
    """Operations, knees and repairs of each unit; a count below the unit's smallest is not told."""
    if not units:
        return None
    operations = IndexProcedure.objects.filter(unit__in=units).order_by().values("unit")
    operated = {
        row["unit"]: row for row in operations.annotate(n=Count("pk"), knees=Count("knee", distinct=True))
    }
    repairs = Repair.objects.filter(tear__procedure__unit__in=units).values_list("tear__procedure__unit")
    repaired = dict(repairs.annotate(Count("pk")))
    none = {"n": 0, "knees": 0}
    rows = []
    for unit in units:
        of_unit = operated.get(unit.pk, none)
        numbers = (of_unit["n"], of_unit["knees"], repaired.get(unit.pk, 0))
        rows.append([unit.name, *(at_least(number, unit.smallest_count_shown) for number in numbers)])
    return Table("Recorded so far", ["Unit", "Operations", "Knees", "Repairs"], rows)


def people(units: Units) -> list[UnitMember]:
    """Who belongs to these units, in which roles; then the surgeons who do not sign in."""
    memberships = Membership.objects.filter(unit__in=units).select_related("user", "unit")
    in_order = memberships.order_by("unit__name", "user__username", "role")
    members = groupby(in_order, key=lambda held: (held.unit, held.user))
    told = [UnitMember(_name(user), unit.name, _roles(held)) for (unit, user), held in members]
    return [*told, *_surgeons_without_account(units)]


def _name(user: User) -> str:
    return user.shown_name


def _roles(held: Iterable[Membership]) -> str:
    return ", ".join(membership.get_role_display() for membership in held)


def _surgeons_without_account(units: Units) -> list[UnitMember]:
    working: Any = Surgeon.units.through.objects.filter(unit__in=units, surgeon__user__isnull=True)
    named = working.order_by("unit__name", "surgeon__code").values_list("surgeon__name", "unit__name")
    return [UnitMember(name, unit, "Surgeon, no account") for name, unit in named]
