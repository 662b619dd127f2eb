"""The cast taken into the record: units, surgeons, and the people who sign in with their roles."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache

from django.contrib.auth.hashers import make_password
from django.db.models import Model

from registry.demo.cast import AccountPart, Cast, SurgeonPart, UnitPart
from registry.demo.dice import DAYS_PER_YEAR
from registry.models import GradePeriod, Membership, PlannedTimePoint, Surgeon, Unit, User
from registry.recording import record
from registry.vocabulary import Role

Passwords = Mapping[str, str] | Callable[[str], str]


class AlreadyThere(Exception):  # noqa: N818 - a state of the record, not a fault in it
    """The record holds someone or something of the cast, so the demo cannot be loaded into it."""


@dataclass(frozen=True, slots=True)
class Staff:
    """Where and by whom patients are treated: keys of their rows by code."""

    units: Mapping[str, int]
    surgeons: Mapping[str, int]
    # Accounts of surgeons, by the surgeon's code.
    accounts: Mapping[str, int]
    # Accounts of who enters a unit's follow-up, where somebody does so beside its surgeons.
    clinicians: Mapping[str, int]

    def account(self, surgeon: str) -> int | None:
        return self.accounts.get(surgeon)

    def enters_follow_up(self, unit: str, surgeon: str) -> int | None:
        """The unit's clinician, or else the surgeon who operated."""
        return self.clinicians.get(unit) or self.account(surgeon)


def already_there(cast: Cast) -> list[str]:
    """What the record holds of the cast, in words; empty when the demo can be loaded."""
    units = Unit.objects.filter(code__in=[part.code for part in cast.units])
    surgeons = Surgeon.objects.filter(code__in=[part.code for part in cast.surgeons])
    users = User.objects.filter(username__in=[part.username for part in cast.everyone])
    return [
        *(f"unit {unit.code}" for unit in units),
        *(f"surgeon {surgeon.code}" for surgeon in surgeons),
        *(f"user {user.username}" for user in users),
    ]


def take_in(cast: Cast, until: date, passwords: Passwords) -> Staff:
    """Record the whole cast; `passwords` gives each account's by its username."""
    if there := already_there(cast):
        raise AlreadyThere(
            f"The record holds {', '.join(there)} already. Load the demo into an empty database."
        )
    units = {part.code: _unit(part) for part in cast.units}
    users = _users(cast, passwords, units)
    accounts = {part.surgeon: users[part.username] for part in cast.everyone if part.surgeon}
    clinicians = {
        unit: users[part.username].pk
        for part in cast.accounts
        if part.role == Role.CLINICIAN
        for unit in part.units
    }
    surgeons = {
        part.code: _surgeon(part, until, accounts.get(part.code), [units[code] for code in part.units])
        for part in cast.surgeons
    }
    return Staff(_keys(units), _keys(surgeons), _keys(accounts), clinicians)


def _keys(rows: Mapping[str, Model]) -> dict[str, int]:
    return {code: row.pk for code, row in rows.items()}


def _unit(part: UnitPart) -> Unit:
    unit = Unit(
        code=part.code,
        name=part.name,
        time_zone=part.time_zone,
        lead_sees_surgeon_results=part.lead_sees_surgeon_results,
        ligament_restarts_reviews=part.ligament_restarts_reviews,
    )
    own_plan = part.plan if part.asks else ()
    record(
        unit,
        *(
            PlannedTimePoint(
                unit=unit,
                time_point=review.code,
                due_day=review.due_day,
                window_days=review.window_days,
                instruments=list(review.instruments),
            )
            for review in own_plan
        ),
    )
    return unit


def _users(cast: Cast, passwords: Passwords, units: Mapping[str, Unit]) -> dict[str, User]:
    password_of = passwords if callable(passwords) else passwords.__getitem__
    # Hashing is slow by design: once for each distinct password, not for each account.
    hashed = cache(make_password)
    hashes = {part.username: hashed(password_of(part.username)) for part in cast.accounts}
    return {
        part.username: _user(part, hashes.get(part.username), [units[code] for code in part.units])
        for part in cast.everyone
    }


def _user(part: AccountPart, password_hash: str | None, units: list[Unit]) -> User:
    user = User(
        username=part.username,
        first_name=part.first_name,
        last_name=part.last_name,
        email=part.email,
        password=password_hash or "",
    )
    if password_hash is None:
        user.set_unusable_password()
    record(user, *(Membership(user=user, unit=unit, role=part.role) for unit in units))
    return user


def _surgeon(part: SurgeonPart, until: date, user: User | None, units: list[Unit]) -> Surgeon:
    years = part.independent_years
    since = None if years is None else _before(until, years)
    surgeon = Surgeon(code=part.code, name=part.name, user=user, independent_since=since)
    grades = (
        GradePeriod(surgeon=surgeon, grade=grade, since=_before(until, years))
        for grade, years in part.grades.items()
    )
    record(surgeon, *grades)
    surgeon.units.set(units)
    return surgeon


def _before(until: date, years: float) -> date:
    return until - timedelta(round(years * DAYS_PER_YEAR))
