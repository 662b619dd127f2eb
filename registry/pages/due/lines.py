"""The lines of a page of Due: each knee with what was asked of it, how to reach it, and the next step."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.conf import settings
from django.db.models import BooleanField, Case, Exists, OuterRef, Q, QuerySet, When
from django.utils import timezone

from registry.access import Action, knees_for
from registry.models import Knee, PatientLink, Unit
from registry.pages.due.step import PHONE, Step, next_step
from registry.pages.due.waiting import Waiting
from registry.pages.due.words import TAGS, ago, asked_last, how_long
from registry.reviews import ReviewState
from registry.vocabulary import Reminding, TimePoint

ADDRESSLESS = {Reminding.EMAIL: "No e-mail address", Reminding.SMS: "No phone number"}


@dataclass(frozen=True, slots=True)
class ReviewLine:
    """One review that waits for an answer. `step` is None for who may only look."""

    knee: Knee
    unit: str
    time_point: str
    due_on: date
    state: str
    tag: str
    how_long: str
    asked: str
    reach: str
    step: Step | None


@dataclass(frozen=True, slots=True)
class DriftingLine:
    """One knee that drifts away, with how many reviews passed unheard. `step` as of a review."""

    knee: Knee
    unit: str
    last_known_on: date
    how_long: str
    passed: int
    first_due_on: date
    reach: str
    step: Step | None


def review_lines(waiting: Sequence[Waiting], person: Any, units: QuerySet[Unit]) -> list[ReviewLine]:
    """Three queries, however many; what each review asks is not among them."""
    now, today = timezone.now(), timezone.localdate()
    knees, names = _knees([row.knee_id for row in waiting], person), _names(units)
    links = latest_links({(row.knee_id, row.time_point): row.starts_on for row in waiting})
    lines = []
    for row in waiting:
        knee, link = knees[row.knee_id], links.get((row.knee_id, row.time_point))
        step = next_step(row.state, row.booked_for, link, reachable=can_send(knee), now=now)
        lines.append(
            ReviewLine(
                knee=knee,
                unit=names[row.unit_id],
                time_point=str(TimePoint(row.time_point).label),
                due_on=row.due_on,
                state=str(ReviewState(row.state).label),
                tag=TAGS[ReviewState(row.state)],
                how_long=how_long(row.due_on, row.closes_on, today),
                asked=asked_last(link, now),
                reach=reach(knee),
                step=step if knee.may_act else None,
            )
        )
    return lines


def drifting_lines(rows: Iterable[Any], person: Any, units: QuerySet[Unit]) -> list[DriftingLine]:
    """One query, however many rows."""
    listed, today = list(rows), timezone.localdate()
    knees, names = _knees([row["knee_id"] for row in listed], person), _names(units)
    return [
        DriftingLine(
            knee := knees[row["knee_id"]],
            names[row["unit_id"]],
            row["last_known_on"],
            ago((today - row["last_known_on"]).days),
            row["passed"],
            row["first_due_on"],
            reach(knee),
            PHONE if knee.may_act else None,
        )
        for row in listed
    ]


def latest_links(starts: Mapping[tuple[int, str], date]) -> dict[tuple[int, str], PatientLink]:
    """By knee and time point, the latest link with its messages, of those made since the day given."""
    made = PatientLink.objects.filter(knee__in={knee for knee, _ in starts})
    links = {}
    for link in made.order_by("made_at", "pk").prefetch_related("messages"):
        key = (link.knee_id, link.time_point)
        if key in starts and timezone.localdate(link.made_at) >= starts[key]:
            links[key] = link
    return links


def reach(knee: Any) -> str:
    """How the patient wishes to be reminded, or what is missing for it."""
    wished = Reminding(knee.patient.reminders)
    return str(wished.label) if knee.has_address or wished not in ADDRESSLESS else ADDRESSLESS[wished]


def can_send(knee: Any) -> bool:
    """Whether a message can go out as the patient wishes."""
    served = knee.patient.reminders != Reminding.SMS or bool(settings.REMINDER_SMS)
    return bool(knee.has_address and served)


def with_address(knees: QuerySet[Knee]) -> QuerySet[Any]:
    """Each knee with its patient and `has_address`: whether one is on record for the patient's way."""
    identity = {"patient__identity__withdrawn_at__isnull": True}
    by_email = Q(**identity, patient__reminders=Reminding.EMAIL, patient__identity__email_sealed__gt="")
    by_sms = Q(**identity, patient__reminders=Reminding.SMS, patient__identity__phone_sealed__gt="")
    known = Case(When(by_email | by_sms, then=True), default=False, output_field=BooleanField())
    return knees.select_related("patient").annotate(has_address=known)


def _knees(keys: Sequence[int], person: Any) -> dict[int, Any]:
    """The knees by key, each with `may_act`: whether this person may record follow-up of it."""
    acting = knees_for(person, Action.RECORD_FOLLOW_UP).filter(pk=OuterRef("pk"))
    return with_address(Knee.objects.annotate(may_act=Exists(acting))).in_bulk(keys)


def _names(units: QuerySet[Unit]) -> dict[int, str]:
    """Units by name where there are several to tell apart."""
    return {unit.pk: unit.name if len(units) > 1 else "" for unit in units}
