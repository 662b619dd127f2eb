"""Repairs of several surgeons: as rows without a database, and as true records written in bulk."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pandas as pd

from outcomes.failure import REOPERATION
from outcomes.own.rows import Rows
from registry.models import (
    Contact,
    IndexProcedure,
    Knee,
    Patient,
    Reoperation,
    ReoperationOnTear,
    Repair,
    Surgeon,
    Tear,
    Unit,
)

CLOSED_ON = date(2026, 7, 1)
FIRST = date(2018, 1, 1)

# --- rows -------------------------------------------------------------------------------------


def a_row(day: int, outcome: str = "censored", **known: Any) -> dict[str, Any]:
    """A repair followed for so many days, operated on at FIRST by surgeon 1 unless told otherwise."""
    row = {
        "zone": "RR",
        "acuity": "acute",
        "ligament": "none",
        "meniscus": "medial",
        "age": "under_30",
        "indications": "within",
        "surgeon": 1,
        "operated": FIRST,
        "entry": 0,
        "patient": None,
        "day": day,
        "outcome": outcome,
        "lost": False,
        "n": 1,
        "potential_days": max(day, 3000),
    }
    return row | known


def rows(repairs: Iterable[dict[str, Any]], closed_on: date = CLOSED_ON) -> Rows:
    table = pd.DataFrame([{"repair": key, **row} for key, row in enumerate(repairs)])
    table = table.assign(
        operated=pd.to_datetime(table["operated"]),
        failed=table["outcome"] == "failed",
        patient=table["patient"].astype(object),
    )
    return Rows(table, "Primary repairs at Northmere Hospital.", REOPERATION, closed_on, 0)


# --- records ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Course:
    """One repair: day of operation, zone, days followed, whether it failed then; what was seen of the ACL."""

    operated_on: date
    zone: str
    days: int
    failed: bool
    acl: str = "intact"
    look: str = ""
    pattern: str = "longitudinal"


def courses(n: int, failing: Sequence[int], since: date = FIRST, apart: int = 30) -> list[Course]:
    """`n` repairs `apart` days after each other, those at `failing` lost to reoperation within two years."""
    return [
        Course(
            operated_on=since + timedelta(days=apart * number),
            zone="RW" if number % 2 else "RR",
            days=100 + 20 * (number % 10) if number in failing else 900,
            failed=number in failing,
        )
        for number in range(n)
    ]


def record_courses(unit: Unit, surgeon: Surgeon, told: Sequence[Course]) -> None:
    """Write the repairs of one surgeon in bulk."""
    patients = Patient.objects.bulk_create(
        Patient(unit=unit, sex="male", born_on=date(1992, 4, 2)) for _ in told
    )
    knees = Knee.objects.bulk_create(Knee(patient=patient, side="left") for patient in patients)
    procedures = IndexProcedure.objects.bulk_create(
        IndexProcedure(
            knee=knee,
            unit=unit,
            lead_surgeon=surgeon,
            operated_on=course.operated_on,
            injured_on=course.operated_on - timedelta(days=10),
            recorded_at=datetime.combine(course.operated_on, time(12), UTC),
            acl=course.acl,
            posteromedial_look=course.look,
        )
        for knee, course in zip(knees, told, strict=True)
    )
    tears = Tear.objects.bulk_create(
        Tear(
            procedure=procedure,
            meniscus="medial",
            pattern=course.pattern,
            vascular_zone=course.zone,
            treatment="repaired",
        )
        for procedure, course in zip(procedures, told, strict=True)
    )
    Repair.objects.bulk_create(
        Repair(tear=tear, all_inside=True, recorded_at=tear.procedure.recorded_at) for tear in tears
    )
    _record_ends(knees, tears, told)


def _record_ends(knees: Sequence[Knee], tears: Sequence[Tear], told: Sequence[Course]) -> None:
    ends = [
        (knee, tear, course.operated_on + timedelta(days=course.days), course.failed)
        for knee, tear, course in zip(knees, tears, told, strict=True)
    ]
    Contact.objects.bulk_create(
        Contact(knee=knee, contacted_on=day, source="phone") for knee, _, day, failed in ends if not failed
    )
    again = Reoperation.objects.bulk_create(
        Reoperation(knee=knee, operated_on=day) for knee, _, day, failed in ends if failed
    )
    failing = [tear for _, tear, _, failed in ends if failed]
    ReoperationOnTear.objects.bulk_create(
        ReoperationOnTear(reoperation=reoperation, tear=tear, action="partial_removal")
        for reoperation, tear in zip(again, failing, strict=True)
    )
