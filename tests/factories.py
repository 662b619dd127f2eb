"""Small ways to put true records into a test: everything goes in through the one way in."""

import itertools
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from django.contrib.auth.hashers import make_password
from django.test import Client

from registry.models import (
    Contact,
    Correction,
    IndexProcedure,
    Kept,
    Knee,
    Membership,
    Patient,
    Reoperation,
    ReoperationOnTear,
    Repair,
    Surgeon,
    Tear,
    Unit,
    User,
)
from registry.recording import Act, correct, record, withdraw
from registry.vocabulary import REPAIRED_TREATMENTS

PASSWORD = "walnut-crescent-47"
OPERATED_ON = date(2024, 3, 1)
_numbers = itertools.count(1)
_password_hash = ""


def a_unit(code: str) -> Unit:
    unit = Unit(code=code, name=f"{code.title()} Hospital")
    record(unit)
    return unit


def a_surgeon(unit: Unit, code: str, user: User | None = None) -> Surgeon:
    surgeon = Surgeon(code=code, name=f"Dr {code.title()}", user=user)
    record(surgeon)
    surgeon.units.add(unit)
    return surgeon


def a_person(username: str, *roles: tuple[str, Unit]) -> User:
    """A user who signs in with PASSWORD and holds the roles given as (role, unit)."""
    user = _an_account(username)
    record(user, *(Membership(user=user, unit=unit, role=role) for role, unit in roles))
    return user


def people(**each: tuple[str, str, Unit]) -> dict[str, User]:
    """Users by what tests call them, each of a user name, role and unit; put in at once, since most ask."""
    users = User.objects.bulk_create(_an_account(username) for username, _, _ in each.values())
    Membership.objects.bulk_create(
        Membership(user=user, unit=unit, role=role)
        for user, (_, role, unit) in zip(users, each.values(), strict=True)
    )
    return dict(zip(each, users, strict=True))


def _an_account(username: str) -> User:
    global _password_hash
    _password_hash = _password_hash or make_password(PASSWORD)
    return User(username=username, email=f"{username}@example.org", password=_password_hash)


def signed_in(person: User) -> Client:
    """A browser in which this person has just signed in, with the password alone."""
    client = Client()
    client.force_login(person)
    return client


def a_knee(unit: Unit, side: str = "left", **patient: Any) -> Knee:
    person = Patient(unit=unit, **{"sex": "female", "born_on": date(1995, 5, 17), **patient})
    knee = Knee(patient=person, side=side)
    record(person, knee)
    return knee


def an_operation(unit: Unit, surgeon: Surgeon, knee: Knee | None = None, **fields: Any) -> IndexProcedure:
    """An index procedure entered on its own day, injured three weeks before unless told otherwise."""
    operated_on = fields.pop("operated_on", OPERATED_ON)
    fields.setdefault("recorded_at", datetime.combine(operated_on, time(17), UTC))
    fields.setdefault("injured_on", operated_on - timedelta(days=21))
    if fields["injured_on"] is None:
        fields["injury_date_precision"] = "unknown"
    procedure = IndexProcedure(
        knee=knee or a_knee(unit), unit=unit, lead_surgeon=surgeon, operated_on=operated_on, **fields
    )
    record(procedure)
    return procedure


def a_repair(procedure: IndexProcedure, augmentation: str = "none", **tear: Any) -> Repair:
    """A repaired tear of an operation: medial, longitudinal and red-red unless told otherwise."""
    defaults = {
        "meniscus": "medial",
        "pattern": "longitudinal",
        "vascular_zone": "RR",
        "treatment": "repaired",
    }
    torn = Tear(procedure=procedure, **{**defaults, **tear})
    repair = Repair(tear=torn, all_inside=True, augmentation=augmentation, recorded_at=procedure.recorded_at)
    record(torn, repair)
    return repair


def a_tear(procedure: IndexProcedure, **tear: Any) -> Tear:
    """A tear of an operation with its repair, if it was repaired."""
    if tear.get("treatment", "repaired") in REPAIRED_TREATMENTS:
        return a_repair(procedure, **tear).tear
    torn = Tear(procedure=procedure, **{"meniscus": "medial", "pattern": "longitudinal", **tear})
    record(torn)
    return torn


def a_failure(repair: Repair, days: int, action: str = "partial_removal", **reoperation: Any) -> Reoperation:
    """A reoperation on a repair, so many days after it."""
    procedure = repair.tear.procedure
    again = Reoperation(
        knee=procedure.knee, operated_on=procedure.operated_on + timedelta(days=days), **reoperation
    )
    record(again, ReoperationOnTear(reoperation=again, tear=repair.tear, action=action))
    return again


def a_contact(repair: Repair, days: int) -> Contact:
    """A phone call that found the knee not reoperated, so many days after the operation."""
    procedure = repair.tear.procedure
    contact = Contact(
        knee=procedure.knee, contacted_on=procedure.operated_on + timedelta(days=days), source="phone"
    )
    record(contact)
    return contact


def corrected(row: Kept, **fields: Any) -> None:
    """Change a row through the one way in."""
    for name, value in fields.items():
        setattr(row, name, value)
    correct(row, act=Act(None, "a test"))


def withdrawn(row: Kept) -> None:
    withdraw(row, Act(None, "a test"))


def corrected_in_database(row: Kept, **fields: Any) -> None:
    """Change a row past everything but the database, leaving the correction that the database asks for."""
    stored = type(row).ever.get(pk=row.pk)
    Correction(
        kind="corrected",
        reason="a test",
        entry_table=stored.entry._meta.db_table,
        entry_id=stored.entry.pk,
        row_table=row._meta.db_table,
        row_id=row.pk,
        version=stored.version + 1,
    ).save()
    assert type(row).ever.filter(pk=row.pk).update(version=stored.version + 1, **fields) == 1
