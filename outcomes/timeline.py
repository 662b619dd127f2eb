"""From operation to failure, competing event or last day known well: one row a repair, never stored.

Both a cohort's counts and one repair's standing are read from here. Whoever reads many rows takes `dated`
into a CTE first and `with_outcome` from that: SQL has no names within one SELECT, so each use of the outcome
would otherwise spell out all that it follows from.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from django.db.models import (
    Case,
    CharField,
    DateField,
    F,
    Max,
    Min,
    Model,
    Q,
    QuerySet,
    Value,
    When,
)
from django.db.models.functions import Coalesce, Greatest, Least
from django.db.models.lookups import GreaterThan
from django.db.models.sql.constants import LOUTER
from django_cte import CTE, with_cte

from outcomes.failure import Events, FailureDefinition, knee_replaced, meniscus_removed_elsewhere
from registry.database import Days
from registry.models import (
    Contact,
    IndexProcedure,
    PatientReport,
    Reoperation,
    Repair,
    ScoreResponse,
    SecondLook,
    Visit,
)
from registry.vocabulary import OperatedAgain, ReoperatedSince

FAILED, CENSORED = "failed", "censored"
DIED, REPLACED, REMOVED = "died", "replaced", "removed_elsewhere"
COMPETING = (DIED, REPLACED, REMOVED)

Keys = list[int] | QuerySet[Any, Any] | None
# Of a cohort up to this share of the record its events are looked up; beyond, reading all of them costs less.
LOOKED_UP_SHARE = 0.1

# Later than any date in the record: stands in for "never" in comparisons inside the database.
_NEVER = Value(date(9999, 12, 31), output_field=DateField())


def _first_of(name: str, sources: Iterable[Events], tears: Keys) -> tuple[CTE, CTE]:
    """Earliest event of each tear over the sources: their union, and its minimum by tear."""
    first, *others = (_only(events, "of_tear", tears) for events in sources)
    union = CTE(first.union(*others, all=True) if others else first, name=f"{name}_events")
    earliest = union.queryset().values("of_tear").annotate(first_on=Min("event_on"))
    return union, CTE(earliest, name=name, materialized=True)


def _only(rows: Events, column: str, keys: Keys) -> Events:
    return rows if keys is None else rows.filter(**{f"{column}__in": keys})


@dataclass(frozen=True, slots=True)
class Sighting:
    """A kind of row that shows a knee well on a day: where it did not fail then."""

    model: type[Model]
    day: str
    conditions: Mapping[str, str] = field(default_factory=dict)

    def rows(self) -> QuerySet[Any, Any]:
        return self.model._default_manager.filter(**self.conditions).order_by()


EXAMINED = (
    Sighting(Visit, "seen_on"),
    Sighting(SecondLook, "looked_on"),
    Sighting(Reoperation, "operated_on"),
    Sighting(IndexProcedure, "operated_on"),
)
# A score or a patient's report counts only when it asked and was answered "no".
TOLD = (
    Sighting(Contact, "contacted_on"),
    Sighting(ScoreResponse, "answered_on", {"reoperated_since": ReoperatedSince.NO}),
    Sighting(PatientReport, "answered_on", {"operated_again": OperatedAgain.NO}),
)


def _sightings(kind: Sighting, knees: Keys) -> Events:
    known = kind.rows().annotate(of_knee=F("knee_id"), known_on=F(kind.day)).values("of_knee", "known_on")
    return _only(known, "of_knee", knees)


def _last_known_well(knees: Keys, *, examined: bool) -> tuple[CTE, CTE]:
    """Latest day each knee was examined or, if that suffices, known not to have been operated on again.

    Imaging alone tells nothing of reoperations.
    """
    kinds = EXAMINED if examined else (*EXAMINED, *TOLD)
    first, *others = (_sightings(kind, knees) for kind in kinds)
    union = CTE(first.union(*others, all=True), name="sightings")
    latest = union.queryset().values("of_knee").annotate(known_on=Max("known_on"))
    return union, CTE(latest, name="known_well", materialized=True)


def timeline(
    repairs: QuerySet[Repair], definition: FailureDefinition, *, tears: Keys = None, knees: Keys = None
) -> QuerySet[Any, Any]:
    """Repairs annotated with started_on, outcome, ended_on and duration_days.

    The outcome is FAILED, CENSORED or a competing cause. Failure goes before a competing event of the same
    day. A failure or competing event counts whenever it happened; without either, a repair is followed to
    the last day its knee was known well, at least day 0.
    For a handful of repairs, naming their `tears` and `knees` spares the database reading all events, and
    counting the repairs first.
    """
    return with_outcome(dated(repairs, definition, tears=tears, knees=knees))


# What `with_outcome` reads of a row.
DATES = ("started_on", "failed_on", "died_on", "replaced_on", "removed_on", "known_on", "first_on")


def dated(
    repairs: QuerySet[Repair], definition: FailureDefinition, *, tears: Keys = None, knees: Keys = None
) -> QuerySet[Any, Any]:
    """Repairs annotated with DATES: the first of each kind of event or _NEVER, first and last day known."""
    chosen = []
    if tears is None and knees is None and _is_small(repairs):
        chosen = [_keys_of(repairs)]
        tears, knees = (chosen[0].queryset().values(name) for name in ("of_tear", "of_knee"))
    failures, failed = _first_of("failed", (source.events() for source in definition.sources), tears)
    replacements, replaced = _first_of("replaced", [knee_replaced()], tears)
    removals, removed = _first_of("removed", meniscus_removed_elsewhere(), tears)
    sightings, known = _last_known_well(knees, examined=definition.examined)
    joined: Any = repairs.order_by()
    for cte in (failed, replaced, removed):
        joined = cte.join(joined, tear_id=cte.col.of_tear, _join_type=LOUTER)
    joined = known.join(joined, tear__procedure__knee_id=known.col.of_knee, _join_type=LOUTER)
    joined = with_cte(
        *chosen, failures, failed, replacements, replaced, removals, removed, sightings, known, select=joined
    )
    known_dates: QuerySet[Any, Any] = joined.annotate(
        started_on=F("tear__procedure__operated_on"),
        failed_on=Coalesce(failed.col.first_on, _NEVER),
        died_on=Coalesce(F("tear__procedure__knee__patient__died_on"), _NEVER),
        replaced_on=Coalesce(replaced.col.first_on, _NEVER),
        removed_on=Coalesce(removed.col.first_on, _NEVER),
        known_on=Coalesce(known.col.known_on, F("tear__procedure__operated_on")),
    ).annotate(first_on=Least("failed_on", "replaced_on", "removed_on", "died_on"))
    return known_dates


def _is_small(repairs: QuerySet[Repair]) -> bool:
    most = int(LOOKED_UP_SHARE * Repair.objects.count())
    return repairs.order_by()[: most + 1].count() <= most


def _keys_of(repairs: QuerySet[Repair]) -> CTE:
    keys = repairs.order_by().values(of_tear=F("tear"), of_knee=F("tear__procedure__knee"))
    return CTE(keys, name="chosen", materialized=True)


def entered_late() -> Q:
    """Whether a repair was entered later from old notes: brought in from them, or past its unit's limit."""
    procedure = "tear__procedure__"
    gap: Any = Days(F("recorded_at"), F(f"{procedure}operated_on"))
    past_limit = Q(GreaterThan(gap, F(f"{procedure}unit__late_entry_after_days")))
    return past_limit | Q(**{f"{procedure}from_old_notes": True})


def with_outcome(rows: QuerySet[Any, Any]) -> QuerySet[Any, Any]:
    """Rows that know DATES annotated with outcome, ended_on and duration_days."""
    in_order = {FAILED: "failed_on", REPLACED: "replaced_on", REMOVED: "removed_on", DIED: "died_on"}
    whens = [
        When(Q(first_on=F(day)) & Q(first_on__lt=_NEVER), then=Value(code)) for code, day in in_order.items()
    ]
    ended: QuerySet[Any, Any] = rows.annotate(
        outcome=Case(*whens, default=Value(CENSORED), output_field=CharField()),
        ended_on=Case(
            When(first_on__lt=_NEVER, then=F("first_on")),
            default=Greatest("known_on", "started_on"),
            output_field=DateField(),
        ),
    )
    timed: QuerySet[Any, Any] = ended.annotate(duration_days=Days(F("ended_on"), F("started_on")))
    return timed
