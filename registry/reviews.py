"""Planned reviews of repaired knees, worked out from the record as it stands; nothing of it is stored.

A knee's reviews run from its latest operation with a repaired tear, by the plan of that operation's unit.
Where the unit says so, they run anew from the ligament operation of a staged knee. A changed plan, a
corrected date or a withdrawn row therefore tell at once.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db.models import (
    Case,
    CharField,
    DateField,
    Exists,
    F,
    IntegerField,
    Max,
    Min,
    Model,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    TextChoices,
    Value,
    When,
    Window,
)
from django.db.models.functions import Coalesce, Greatest, Lead, Least, NullIf
from django.utils import timezone
from django_cte import CTE, with_cte

from registry.database import Days, DaysAfter, long_ago, never
from registry.models import (
    BookedVisit,
    EndOfFollowUp,
    GivenUpReview,
    IndexProcedure,
    Knee,
    PatientReport,
    PlannedTimePoint,
    Reoperation,
    ScoreResponse,
    Tear,
    Unit,
    Visit,
)
from registry.models.procedures import LIGAMENTS
from registry.rules.schedule import DEFAULT_PLAN, PlannedReview
from registry.vocabulary import REPAIRED_TREATMENTS, REPLACEMENTS, LigamentState, OtherSurgery, Staging

Reviews = QuerySet[Any, dict[str, Any]]

# What answers a review when it falls into its window. A call tells of reoperations alone, so it answers none.
ANSWERS: tuple[tuple[type[Model], str], ...] = (
    (Visit, "seen_on"),
    (ScoreResponse, "answered_on"),
    (PatientReport, "answered_on"),
)
# In days, longer than any plan: what the last review of a plan is followed by.
_FAR = 1_000_000
_NO_DAY = Value(None, output_field=DateField())
_OPERATION = ("operation_id", "knee_id", "patient_id", "unit_id", "surgeon_id")
_SINCE = ("starts_on", "elapsed")
_STOPS = ("stopped_on", "last_answer_on")
_DAYS = ("opens_day", "due_day", "closes_day")
_PLAN = ("time_point", *_DAYS, "next_opens_day")
_DATES = ("opens_on", "due_on", "closes_on")
_COLUMNS = (
    *_OPERATION,
    "starts_on",
    "time_point",
    *_DATES,
    "state",
    "answered_on",
    "booked_for",
)


class ReviewState(TextChoices):
    """Where a review stands on a day."""

    PLANNED = "planned", "Planned"
    OPEN = "open", "Open"
    DUE = "due", "Due"
    OVERDUE = "overdue", "Overdue"
    ANSWERED = "answered", "Answered"
    MISSED = "missed", "Missed"
    CLOSED = "closed", "Closed"


@dataclass(frozen=True, slots=True)
class Review:
    """One planned review of one knee, as it stands on a day."""

    operation_id: int
    knee_id: int
    patient_id: int
    unit_id: int
    surgeon_id: int
    starts_on: date
    time_point: str
    opens_on: date
    due_on: date
    closes_on: date
    state: str
    answered_on: date | None
    booked_for: date | None
    instruments: tuple[str, ...]


def reviews(units: QuerySet[Unit], on: date | None = None, knees: Iterable[int] | None = None) -> Reviews:
    """Every planned review of the knees last repaired in these units: rows with the columns of `Review`.

    Its state on a day, today unless told otherwise; the first that holds:
    answered  somebody was seen, or a form or a report answered, within the window
    closed    given up; or the patient died, left or had the knee replaced before the window was over
    planned   its window has not opened
    missed    waited for no longer: a later review opened, an answer came after the window, or the patient
              died, left or had the knee replaced since
    open, due the window is open and the due day lies ahead, or has come
    overdue   the window is over
    """
    day = on or timezone.localdate()
    operations = _operations(units, day, knees).annotate(
        stopped_on=_stopped_on(day),
        last_answer_on=Greatest(*(_latest(rows, column) for rows, column in _answers(day))),
    )
    known = _planned(operations, units, *_STOPS).annotate(
        answered_on=_first_answer(day), given_up=_given_up(day)
    )
    columns = (*_OPERATION, *_SINCE, *_STOPS, *_PLAN, *_DATES, "answered_on", "given_up")
    facts = CTE(known.values(*columns), name="facts", materialized=True)
    told: Any = with_cte(facts, select=facts.queryset().order_by())
    found: Reviews = told.annotate(booked_for=booked(day), state=_state()).values(*_COLUMNS)
    return found


def actionable(units: QuerySet[Unit], on: date | None = None, knees: Iterable[int] | None = None) -> Reviews:
    """The reviews that are open, due or overdue: at most one of each knee."""
    day = on or timezone.localdate()
    found: Reviews = (
        waiting(units, day, knees).annotate(answered_on=_NO_DAY, booked_for=booked(day)).values(*_COLUMNS)
    )
    return found


def waiting(units: QuerySet[Unit], day: date, knees: Iterable[int] | None = None) -> Any:
    """The same without what only lines of a list tell: the next booked visit of each."""
    followed = _operations(units, day, knees).filter(
        Q(knee__patient__died_on__isnull=True) | Q(knee__patient__died_on__gt=day),
        ~Exists(_ended(day)),
        ~Exists(_replaced(day)),
    )
    # The last answer would do, but whether there is one since is found without reading any row.
    answered = Q(
        *(Exists(rows.filter(**{f"{column}__gte": OuterRef("opens_on")})) for rows, column in _answers(day)),
        _connector=Q.OR,
    )
    return (
        _planned(followed, units)
        .filter(elapsed__gte=F("opens_day"), elapsed__lt=F("next_opens_day"))
        .filter(~answered, ~_given_up(day))
        .annotate(state=_waiting())
    )


def current_review(knee: Knee, on: date | None = None) -> Review | None:
    """The review of a knee that is open, due or overdue."""
    found = as_reviews(actionable(Unit.objects.all(), on, [knee.pk]))
    return found[0] if found else None


def reviews_of(knee: Knee, on: date | None = None) -> list[Review]:
    """All planned reviews of a knee, in order."""
    return as_reviews(reviews(Unit.objects.all(), on, [knee.pk]).order_by("due_on", "time_point"))


def as_reviews(rows: Reviews) -> list[Review]:
    """The rows of a query of reviews, with the instruments that each asks."""
    found = list(rows)
    asked = _instruments({row["unit_id"] for row in found})
    return [Review(**row, instruments=asked[row["unit_id"]][row["time_point"]]) for row in found]


def _instruments(units: set[int]) -> dict[int, dict[str, tuple[str, ...]]]:
    """The instruments asked, by unit and time point."""
    default = {review.code: review.instruments for review in DEFAULT_PLAN}
    own: dict[int, dict[str, tuple[str, ...]]] = {}
    for row in PlannedTimePoint.objects.filter(unit__in=units):
        own.setdefault(row.unit_id, {})[row.time_point] = tuple(row.instruments)
    return {unit: own.get(unit, default) for unit in units}


# --- the plan ---------------------------------------------------------------------------------


def _with_next(units: QuerySet[Unit]) -> tuple[CTE, CTE]:
    """The plan of each unit in days after the start, each review with the day on which the next one opens."""
    each = CTE(_plans(units), name="each_plan")
    following = Window(
        Lead("opens_day"),
        partition_by=[F("unit_id")],
        order_by=[F("opens_day").asc(), F("due_day").asc(), F("time_point").asc()],
    )
    rows = each.queryset().order_by().annotate(next_opens_day=Coalesce(following, Value(_FAR)))
    return each, CTE(rows.values("unit_id", *_PLAN), name="plan", materialized=True)


def _plans(units: QuerySet[Unit]) -> Any:
    """The units' own reviews, and the default ones of the units without any."""
    own = PlannedTimePoint.objects.filter(unit__in=units).order_by()
    first, last = F("due_day") - F("window_days"), F("due_day") + F("window_days")
    planned = own.annotate(opens_day=first, closes_day=last).values("unit_id", "time_point", *_DAYS)
    without = units.filter(~Exists(PlannedTimePoint.objects.filter(unit=OuterRef("pk")))).order_by()
    return planned.union(*(_default(without, review) for review in DEFAULT_PLAN), all=True)


def _default(units: QuerySet[Unit], review: PlannedReview) -> Any:
    days = {
        "opens_day": review.due_day - review.window_days,
        "due_day": review.due_day,
        "closes_day": review.due_day + review.window_days,
    }
    return units.annotate(
        unit_id=F("pk"),
        time_point=Value(review.code, output_field=CharField()),
        **{name: Value(day, output_field=IntegerField()) for name, day in days.items()},
    ).values("unit_id", "time_point", *_DAYS)


# --- operations -------------------------------------------------------------------------------


def _operations(units: QuerySet[Unit], day: date, knees: Iterable[int] | None) -> Any:
    """The latest operation with a repaired tear of each knee, where it was done in these units.

    With the day on which its reviews start, and how many days have gone by since.
    """
    repaired = Exists(Tear.objects.filter(procedure=OuterRef("pk"), treatment__in=REPAIRED_TREATMENTS))
    repairing = IndexProcedure.objects.filter(repaired, operated_on__lte=day).order_by()
    later = repairing.filter(knee=OuterRef("knee"), operated_on__gt=OuterRef("operated_on"))
    latest = repairing.filter(~Exists(later), unit__in=units)
    if knees is not None:
        latest = latest.filter(knee__in=knees)
    return latest.annotate(
        operation_id=F("pk"),
        patient_id=F("knee__patient_id"),
        surgeon_id=F("lead_surgeon_id"),
        starts_on=_starts_on(day),
        elapsed=Days(Value(day, output_field=DateField()), F("starts_on")),
    )


def _starts_on(day: date) -> Case:
    """The operation, or the first ligament operation after it where a staged knee starts anew."""
    since = {"knee": OuterRef("knee"), "operated_on__gt": OuterRef("operated_on"), "operated_on__lte": day}
    treated = Q(*((name, LigamentState.TREATED_HERE) for name in LIGAMENTS), _connector=Q.OR)
    ligament = Least(
        _earliest(Reoperation.objects.filter(**since, other_surgery=OtherSurgery.LIGAMENT), "operated_on"),
        _earliest(IndexProcedure.objects.filter(treated, **since), "operated_on"),
    )
    return Case(
        When(
            unit__ligament_restarts_reviews=True,
            staging=Staging.REPAIR_FIRST,
            then=Coalesce(NullIf(ligament, never()), F("operated_on")),
        ),
        default=F("operated_on"),
        output_field=DateField(),
    )


def _stopped_on(day: date) -> Least:
    """The day of death, end of follow-up or replacement of the knee; never, if none yet."""
    died_on = F("knee__patient__died_on")
    died = Case(When(knee__patient__died_on__lte=day, then=died_on), default=never())
    return Least(died, _earliest(_ended(day), "ended_on"), _earliest(_replaced(day), "operated_on"))


def _ended(day: date) -> QuerySet[EndOfFollowUp]:
    return EndOfFollowUp.objects.filter(patient=OuterRef("knee__patient"), ended_on__lte=day)


def _replaced(day: date) -> QuerySet[Reoperation]:
    """Replacements of the knee since the operation."""
    return Reoperation.objects.filter(
        knee=OuterRef("knee"),
        operated_on__range=(OuterRef("operated_on"), day),
        other_surgery__in=REPLACEMENTS,
    )


# --- reviews ----------------------------------------------------------------------------------


def _planned(operations: Any, units: QuerySet[Unit], *facts: str) -> Any:
    """One row a knee and review of its plan, with the review's days; `facts` of the operation are kept."""
    each, plan = _with_next(units)
    known = CTE(operations.values(*_OPERATION, *_SINCE, *facts), name="operations", materialized=True)
    joined = plan.join(known.queryset().order_by(), unit_id=plan.col.unit_id)
    return with_cte(each, plan, known, select=joined).annotate(
        **{name: getattr(plan.col, name) for name in _PLAN},
        opens_on=DaysAfter(F("starts_on"), F("opens_day")),
        due_on=DaysAfter(F("starts_on"), F("due_day")),
        closes_on=DaysAfter(F("starts_on"), F("closes_day")),
    )


def _answers(day: date) -> list[tuple[QuerySet[Any], str]]:
    """The answers of a knee up to a day: a query of each table, and the name of its date."""
    return [
        (model._default_manager.filter(knee=OuterRef("knee_id"), **{f"{column}__lte": day}), column)
        for model, column in ANSWERS
    ]


def _first_answer(day: date) -> NullIf:
    """The first answer within a review's window, if any."""
    within = (
        _earliest(rows.filter(**{f"{column}__range": (OuterRef("opens_on"), OuterRef("closes_on"))}), column)
        for rows, column in _answers(day)
    )
    return NullIf(Least(*within), never())


def _given_up(day: date) -> Exists:
    rows = GivenUpReview.objects.filter(
        knee=OuterRef("knee_id"),
        time_point=OuterRef("time_point"),
        given_up_on__range=(OuterRef("starts_on"), day),
    )
    return Exists(rows)


def booked(day: date) -> Subquery:
    """The next visit booked from that day on."""
    rows = BookedVisit.objects.filter(knee=OuterRef("knee_id"), booked_for__gte=day).order_by("booked_for")
    return Subquery(rows.values("booked_for")[:1], output_field=DateField())


def _state() -> Case:
    over = Q(elapsed__gte=F("next_opens_day")) | Q(last_answer_on__gt=F("closes_on"))
    return _waiting(
        When(answered_on__isnull=False, then=Value(ReviewState.ANSWERED)),
        When(Q(given_up=True) | Q(stopped_on__lte=F("closes_on")), then=Value(ReviewState.CLOSED)),
        When(elapsed__lt=F("opens_day"), then=Value(ReviewState.PLANNED)),
        When(over | Q(stopped_on__lt=never()), then=Value(ReviewState.MISSED)),
    )


def _waiting(*before: When) -> Case:
    return Case(
        *before,
        When(elapsed__lt=F("due_day"), then=Value(ReviewState.OPEN)),
        When(elapsed__lte=F("closes_day"), then=Value(ReviewState.DUE)),
        default=Value(ReviewState.OVERDUE),
        output_field=CharField(),
    )


def _earliest(rows: QuerySet[Any], day: str) -> Coalesce:
    """The earliest day of some rows of each outer row; never, where there is none."""
    return Coalesce(_extreme(rows, Min(day)), never())


def _latest(rows: QuerySet[Any], day: str) -> Coalesce:
    """The latest day of some rows of each outer row; long ago, where there is none."""
    return Coalesce(_extreme(rows, Max(day)), long_ago())


def _extreme(rows: QuerySet[Any], extreme: Min | Max) -> Subquery:
    found = rows.order_by().values(all=Value(1)).annotate(day=extreme).values("day")
    return Subquery(found, output_field=DateField())
