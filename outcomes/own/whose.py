"""Whose results a person asks for, and over which units: their own, or a surgeon's whose units agreed."""

from dataclasses import dataclass

from django.db.models import QuerySet
from django.http import Http404

from registry.access import Action, require, surgeons_shown, units_showing_surgeons
from registry.models import Surgeon, Unit, User


@dataclass(frozen=True, slots=True)
class Subject:
    """A surgeon and the units over which this person sees their results."""

    surgeon: Surgeon
    units: QuerySet[Unit]
    is_own: bool


@dataclass(frozen=True, slots=True)
class Asked:
    """Who was asked for, None where nobody was or could be; `others` may be chosen by code."""

    subject: Subject | None
    others: QuerySet[Surgeon]


def asked_for(person: User, code: str) -> Asked:
    """Read whom an address asks for; 404 for a surgeon that this person may not see, as if there were none.

    One's own results come from every unit in which one may see them and works; another surgeon's from the
    units that this person leads and that agreed to show results of single surgeons.
    """
    allowed = require(person, Action.SEE_OWN_RESULTS)
    shown = surgeons_shown(person)
    others = shown.exclude(user=person)
    own = shown.filter(user=person).first()
    if not code or (own and code == own.code):
        return Asked(_subject(own, allowed, is_own=True) if own else None, others)
    other = others.filter(code=code).first()
    if other is None:
        raise Http404
    agreed = allowed.filter(pk__in=units_showing_surgeons(person).values("pk"))
    return Asked(_subject(other, agreed, is_own=False), others)


def coded_for(person: User, units: QuerySet[Unit]) -> QuerySet[Surgeon] | None:
    """The surgeons whose points carry their code for this person; None unless all these units agreed."""
    agreed = units_showing_surgeons(person).values("pk")
    if units.exclude(pk__in=agreed).exists():
        return None
    return Surgeon.objects.filter(units__in=units).distinct()


def _subject(surgeon: Surgeon, units: QuerySet[Unit], *, is_own: bool) -> Subject | None:
    """None where the surgeon works in none of these units."""
    theirs = units.filter(pk__in=surgeon.units.values("pk"))
    return Subject(surgeon, theirs, is_own) if theirs else None
