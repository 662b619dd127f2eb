"""Planned reviews worked out by the database, against a plain account of the same rules on invented knees.

The account works on the plain description of a knee, never on the database. Days count from START.
"""

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from registry.models import (
    BookedVisit,
    Contact,
    EndOfFollowUp,
    GivenUpReview,
    Kept,
    Knee,
    PatientReport,
    PlannedTimePoint,
    Reoperation,
    ScoreResponse,
    Unit,
    Visit,
)
from registry.recording import record
from registry.reviews import actionable, reviews
from tests import factories

START = date(2015, 1, 1)
LAST_DAY = 900
CODES = ("6w", "3m", "6m", "12m", "24m")
# The default plan as written in shared practice: due day and window each way, in days.
USUAL = (
    ("6w", 42, 14),
    ("3m", 91, 28),
    ("6m", 183, 42),
    ("12m", 365, 56),
    ("24m", 730, 84),
    ("60m", 1826, 182),
    ("120m", 3652, 182),
)
WAITING = ("open", "due", "overdue")
ANSWERING = ("visit", "score", "report")

# As told of each review; the start, then the first, due and last day of its window.
COLUMNS = ("time_point", "state", "starts_on", "opens_on", "due_on", "closes_on", "answered_on", "booked_for")
Told = tuple[str | date | None, ...]


@dataclass(frozen=True)
class Operated:
    """One index operation; `away` was done in another unit."""

    day: int
    repaired: bool = True
    staged: bool = False
    ligament: bool = False
    away: bool = False
    withdrawn: bool = False


@dataclass(frozen=True)
class Happened:
    """One event of the knee; `code` is the review given up."""

    kind: str
    day: int
    code: str = ""
    withdrawn: bool = False


@dataclass(frozen=True)
class KneeSpec:
    """A unit's own plan (none for the default one), and all that is told of one knee."""

    plan: tuple[tuple[str, int, int], ...]
    restarts: bool
    operations: tuple[Operated, ...]
    events: tuple[Happened, ...]
    died: int | None


def on_day(day: int) -> date:
    return START + timedelta(days=day)


# --- the plain account ------------------------------------------------------------------------


def account(spec: KneeSpec, today: int) -> list[Told]:
    """Each review of the knee, as COLUMNS."""
    known = [each for each in spec.operations if not each.withdrawn and each.day <= today]
    repairs = sorted((each for each in known if each.repaired), key=lambda each: each.day)
    if not repairs or repairs[-1].away:
        return []
    latest = repairs[-1]
    start = latest.day
    if spec.restarts and latest.staged:
        ligaments = [each.day for each in known if each.ligament] + days_of(spec, today, "ligament")
        start = min((day for day in ligaments if day > latest.day), default=latest.day)
    bookings = [day for day in days_of(spec, LAST_DAY, "booking") if day >= today]
    booked = on_day(min(bookings)) if bookings else None
    plan = sorted(spec.plan or USUAL, key=lambda each: (each[1] - each[2], each[1], each[0]))
    followers = [start + due - window for _, due, window in plan[1:]] + [10**6]
    found: list[Told] = []
    for (code, after, window), next_opens in zip(plan, followers, strict=True):
        days = (start, start + after - window, start + after, start + after + window)
        state, answered = stands(spec, today, code, days, next_opens, ended(spec, today, latest.day))
        found.append((code, state, *map(on_day, days), answered, booked))
    return found


def stands(
    spec: KneeSpec,
    today: int,
    code: str,
    days: tuple[int, int, int, int],
    next_opens: int,
    ends: list[int],
) -> tuple[str, date | None]:
    """State and day of the answer of one review; `days` are start, window's first, due and window's last."""
    start, opens, due, closes = days
    answers = days_of(spec, today, *ANSWERING)
    within = [day for day in answers if opens <= day <= closes]
    given_up = [each for each in days_of(spec, today, "given_up", code=code) if each >= start]
    rules = (
        ("answered", bool(within)),
        ("closed", bool(given_up) or any(day <= closes for day in ends)),
        ("planned", today < opens),
        ("missed", next_opens <= today or bool(ends) or any(day > closes for day in answers)),
        ("overdue", today > closes),
        ("due", today >= due),
        ("open", True),
    )
    return next(state for state, holds in rules if holds), on_day(min(within)) if within else None


def ended(spec: KneeSpec, today: int, operated: int) -> list[int]:
    died = [spec.died] if spec.died is not None and spec.died <= today else []
    replaced = [day for day in days_of(spec, today, "replacement") if day >= operated]
    return [*died, *replaced, *days_of(spec, today, "end")]


def days_of(spec: KneeSpec, today: int, *kinds: str, code: str = "") -> list[int]:
    """Days of standing events of these kinds so far, of the review `code` if told."""
    return [
        each.day
        for each in spec.events
        if each.kind in kinds and each.day <= today and not each.withdrawn and code in ("", each.code)
    ]


# --- invented knees ---------------------------------------------------------------------------

DAYS = st.integers(0, LAST_DAY)
SELDOM = st.sampled_from([False, False, False, True])


@st.composite
def plans(draw: st.DrawFn) -> tuple[tuple[str, int, int], ...]:
    """Any reviews in any order: windows may even overlap, or open on one day."""
    codes = draw(st.lists(st.sampled_from(CODES), unique=True, max_size=5))
    return tuple((code, draw(st.integers(1, 700)), draw(st.integers(0, 90))) for code in codes)


OPERATIONS = st.builds(
    Operated,
    day=st.integers(1, LAST_DAY),
    repaired=st.booleans(),
    staged=st.booleans(),
    ligament=st.booleans(),
    away=SELDOM,
    withdrawn=SELDOM,
)
KINDS = st.sampled_from(
    [*ANSWERING, *ANSWERING, "contact", "ligament", "replacement", "given_up", "booking", "end"]
)
EVENTS = st.builds(Happened, kind=KINDS, day=DAYS, code=st.sampled_from(CODES), withdrawn=SELDOM)
SPECS = st.builds(
    KneeSpec,
    plan=plans(),
    restarts=st.booleans(),
    operations=st.lists(OPERATIONS, max_size=2, unique_by=lambda each: each.day).flatmap(
        lambda later: st.builds(
            lambda staged: (Operated(0, staged=staged), *later),
            st.booleans(),
        )
    ),
    # One end, one form a day: as the record itself demands.
    events=st.lists(
        EVENTS, max_size=9, unique_by=lambda each: each.kind if each.kind == "end" else (each.kind, each.day)
    ).map(tuple),
    died=st.none() | st.none() | st.integers(LAST_DAY, LAST_DAY + 200),
)
_numbers = itertools.count(1)


def entered(spec: KneeSpec) -> Unit:
    """The knee put on record in a unit of its own."""
    unit, away = (factories.a_unit(f"{name}-{next(_numbers)}") for name in ("home", "away"))
    surgeons = {each: factories.a_surgeon(each, f"{each.code}-oak") for each in (unit, away)}
    factories.corrected(unit, ligament_restarts_reviews=spec.restarts)
    record(
        *(
            PlannedTimePoint(unit=unit, time_point=code, due_day=due, window_days=window)
            for code, due, window in spec.plan
        )
    )
    knee = factories.a_knee(unit)
    for each in spec.operations:
        place = away if each.away else unit
        acl = "treated_here" if each.ligament else "staged" if each.staged else "intact"
        operation = factories.an_operation(
            place,
            surgeons[place],
            knee,
            operated_on=on_day(each.day),
            acl=acl,
            staging="repair_first" if each.staged else "single",
        )
        factories.a_tear(operation, treatment="repaired" if each.repaired else "removed")
        if each.withdrawn:
            factories.withdrawn(operation)
    for event in spec.events:
        row = _row(knee, event)
        record(row)
        if event.withdrawn:
            factories.withdrawn(row)
    if spec.died is not None:
        factories.corrected(knee.patient, died_on=on_day(spec.died))
    return unit


def _row(knee: Knee, event: Happened) -> Kept:
    return ROWS[event.kind](event, on_day(event.day), knee)


ROWS: dict[str, Callable[[Happened, date, Knee], Kept]] = {
    "visit": lambda _, day, knee: Visit(knee=knee, seen_on=day),
    "score": lambda _, day, knee: ScoreResponse(
        knee=knee, answered_on=day, instrument="sane", items={"percent": 80}
    ),
    "report": lambda _, day, knee: PatientReport(knee=knee, answered_on=day, operated_again="no"),
    "contact": lambda _, day, knee: Contact(knee=knee, contacted_on=day, source="phone"),
    "ligament": lambda _, day, knee: Reoperation(knee=knee, operated_on=day, other_surgery="ligament"),
    "replacement": lambda _, day, knee: Reoperation(
        knee=knee, operated_on=day, other_surgery="partial_replacement"
    ),
    "given_up": lambda event, day, knee: GivenUpReview(
        knee=knee, given_up_on=day, time_point=event.code, reason="unable"
    ),
    "booking": lambda _, day, knee: BookedVisit(knee=knee, booked_for=day),
    "end": lambda _, day, knee: EndOfFollowUp(patient=knee.patient, ended_on=day, reason="moved"),
}


def watched(spec: KneeSpec) -> Iterator[int]:
    """Days to look at the knee: now and then, and on and after the first turning points."""
    yield from range(0, 1600, 397)
    for told in account(spec, LAST_DAY)[:2]:
        for day in (told[3], told[5]):
            assert isinstance(day, date)
            yield from ((day - START).days + step for step in (0, 1))


@settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(spec=SPECS)
def test_every_review_is_as_in_the_plain_account(db: None, spec: KneeSpec) -> None:
    unit = entered(spec)
    units = Unit.objects.filter(pk=unit.pk)
    for today in watched(spec):
        expected = sorted(account(spec, today))
        assert sorted(reviews(units, on_day(today)).values_list(*COLUMNS)) == expected
        waiting = [each for each in expected if each[1] in WAITING]
        assert list(actionable(units, on_day(today)).values_list(*COLUMNS)) == waiting
        assert len(waiting) <= 1
