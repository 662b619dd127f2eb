"""What a whole operation has on record: one table of requirements, each a condition the database counts by.

The Knee story, Today and the completeness page all read this table. What is due with time (visits, scores) is
none of it.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from enum import Enum
from functools import reduce
from operator import or_
from typing import Any

from django.db.models import (
    BooleanField,
    Count,
    DateField,
    Exists,
    Expression,
    ExpressionWrapper,
    F,
    OuterRef,
    Q,
    QuerySet,
    Value,
)
from django.db.models.functions import TruncQuarter
from django.utils import timezone

from registry.models import (
    EndOfFollowUp,
    IndexProcedure,
    Rehabilitation,
    Reoperation,
    Repair,
    SecondLook,
    SuturePass,
    Tear,
)
from registry.models.procedures import LIGAMENTS
from registry.rules.indications import PREREQUISITES
from registry.vocabulary import (
    Answer,
    LigamentState,
    OtherSurgery,
    Pattern,
    RehabilitationCourse,
    Staging,
)

TORN_ACL = (LigamentState.TREATED_HERE, LigamentState.STAGED, LigamentState.LEFT)


class Level(Enum):
    """The tables that requirements belong to."""

    OPERATION = "operation"
    TEAR = "tear"
    REPAIR = "repair"

    @property
    def rows(self) -> QuerySet[Any]:
        models: dict[Level, Any] = {
            Level.OPERATION: IndexProcedure,
            Level.TEAR: Tear,
            Level.REPAIR: Repair,
        }
        rows: QuerySet[Any] = models[self].objects.order_by()
        return rows

    @property
    def operation(self) -> str:
        """The way from a row to its operation."""
        return {Level.OPERATION: "pk", Level.TEAR: "procedure", Level.REPAIR: "tear__procedure"}[self]

    @property
    def tear(self) -> str | None:
        """The way from a row to its tear, if it has one."""
        return {Level.OPERATION: None, Level.TEAR: "pk", Level.REPAIR: "tear"}[self]


class Place(Enum):
    """Where something missing can be completed."""

    NOTE = "the operation note"
    SIGNATURE = "the signature"
    REHABILITATION = "rehabilitation"
    SECOND_LOOK = "a second look"


EVERY_ROW = Q(pk__isnull=False)


@dataclass(frozen=True, slots=True)
class Requirement:
    """One thing on record of a whole operation. `asked` says of which rows, `missing` which of those lack it.

    An operation counts as complete when nothing `counted` is missing of it, its tears and its repairs.
    """

    code: str
    label: str
    of: Level
    missing: Q
    asked: Q = EVERY_ROW
    place: Place = Place.NOTE
    counted: bool = True

    @property
    def gap(self) -> Q:
        return self.asked & self.missing


@dataclass(frozen=True, slots=True)
class Gap:
    """Something missing of one operation, or of one of its tears."""

    requirement: Requirement
    operation_id: int
    tear_id: int | None = None


@dataclass(frozen=True, slots=True)
class Share:
    """Of how many rows a requirement was asked, and how many of them lack it."""

    asked: int
    lacking: int

    @property
    def present(self) -> int:
        return self.asked - self.lacking


class _Today(Expression):
    """The day on which a query runs, in the site's time zone."""

    output_field = DateField()

    def as_sql(self, compiler: Any, connection: Any) -> Any:
        return compiler.compile(Value(timezone.localdate(), output_field=DateField()))


# --- staged knees -----------------------------------------------------------------------------


def looked_since() -> Q:
    """Of an operation: whether the knee was looked at again on its day or later."""
    return Q(Exists(SecondLook.objects.filter(knee=OuterRef("knee"), looked_on__gte=OuterRef("operated_on"))))


def ligament_treated_since() -> Q:
    """Of an operation: whether another one treated a ligament of the knee on its day or later."""
    later = {"knee": OuterRef("knee"), "operated_on__gte": OuterRef("operated_on")}
    reoperated = Reoperation.objects.filter(**later, other_surgery=OtherSurgery.LIGAMENT)
    treated = _any_of(Q(**{name: LigamentState.TREATED_HERE}) for name in LIGAMENTS)
    operated = IndexProcedure.objects.filter(treated, **later).exclude(pk=OuterRef("pk"))
    return Q(Exists(reoperated)) | Q(Exists(operated))


def still_followed() -> Q:
    """Of an operation: whether the patient lives and follow-up has not ended."""
    ended = EndOfFollowUp.objects.filter(patient=OuterRef("knee__patient"))
    return Q(~Exists(ended), knee__patient__died_on__isnull=True)


def _second_look_due() -> Q:
    """The day planned for the ligament operation has passed, or a ligament was treated since."""
    overdue = Q(ligament_planned_on__lt=_Today()) | ligament_treated_since()
    return Q(staging=Staging.REPAIR_FIRST) & overdue & still_followed()


# --- the table --------------------------------------------------------------------------------


def _any_of(conditions: Iterable[Q]) -> Q:
    return reduce(or_, conditions)


def _none_of(model: Any, **fields: Any) -> Q:
    return Q(~Exists(model.objects.filter(**fields)))


def _unknown(name: str) -> Q:
    return Q(**{f"{name}__isnull": True})


def _empty(name: str) -> Q:
    return Q(**{name: ""})


_PREREQUISITES_OPEN = _any_of(Q(**{name: Answer.NOT_ASSESSED}) for name in PREREQUISITES)
_NO_PLAN = _none_of(Rehabilitation, procedure=OuterRef("pk"), course=RehabilitationCourse.PLANNED)
_NO_PASS = _none_of(SuturePass, repair=OuterRef("pk"))
_OP, _TEAR, _REPAIR = Level

# Signature and second look are steps still to be taken, not facts left out: told, but not counted.
REQUIREMENTS: tuple[Requirement, ...] = (
    Requirement("injury-cause", "cause of injury", _OP, _empty("injury_cause")),
    Requirement("bmi", "BMI", _OP, _unknown("bmi")),
    Requirement("smoking", "smoking", _OP, _empty("smoking")),
    Requirement("asa", "ASA class", _OP, _unknown("asa")),
    Requirement("tegner", "Tegner before injury", _OP, _unknown("preinjury_tegner")),
    Requirement("prerequisites", "all six prerequisites assessed", _OP, _PREREQUISITES_OPEN),
    Requirement(
        "hka",
        "hip-knee-ankle angle where alignment is not acceptable",
        _OP,
        _unknown("hka_deg"),
        asked=Q(alignment_acceptable=Answer.NO),
    ),
    Requirement(
        "posteromedial-look",
        "posteromedial look in an ACL-torn knee",
        _OP,
        _empty("posteromedial_look"),
        asked=Q(acl__in=TORN_ACL),
    ),
    Requirement("vascular-zone", "vascular zone", _TEAR, _empty("vascular_zone")),
    Requirement("rim-zone", "rim zone", _TEAR, _unknown("rim_zone")),
    Requirement("radial-location", "radial location", _TEAR, _empty("radial_location")),
    Requirement("depth", "depth", _TEAR, _empty("depth")),
    Requirement("length", "length", _TEAR, _unknown("length_mm")),
    Requirement("tissue", "tissue", _TEAR, _empty("tissue")),
    Requirement("unstable", "stable or unstable on probing", _TEAR, _unknown("unstable")),
    Requirement("root-type", "root type", _TEAR, _empty("root_type"), asked=Q(pattern=Pattern.ROOT)),
    Requirement("ramp-type", "ramp type", _TEAR, _empty("ramp_type"), asked=Q(pattern=Pattern.RAMP)),
    Requirement("passes", "suture passes", _REPAIR, _NO_PASS),
    Requirement("stable-at-end", "stable or not at the end", _REPAIR, _unknown("stable_at_end")),
    Requirement("rehabilitation", "planned rehabilitation", _OP, _NO_PLAN, place=Place.REHABILITATION),
    Requirement("signed", "signature", _OP, _unknown("signed_at"), place=Place.SIGNATURE, counted=False),
    Requirement(
        "second-look",
        "second look of a staged knee",
        _OP,
        ~looked_since(),
        asked=_second_look_due(),
        place=Place.SECOND_LOOK,
        counted=False,
    ),
)
BY_CODE = {each.code: each for each in REQUIREMENTS}
COUNTED = tuple(each for each in REQUIREMENTS if each.counted)


# --- asked of the database --------------------------------------------------------------------


def lacking(requirements: Collection[Requirement] = COUNTED) -> Q:
    """Of an operation: whether any of these is missing of it, its tears or its repairs."""
    conditions = []
    for level in Level:
        of_level = [each.gap for each in requirements if each.of is level]
        if of_level and level is Level.OPERATION:
            conditions += of_level
        elif of_level:
            rows = level.rows.filter(_any_of(of_level), **{level.operation: OuterRef("pk")})
            conditions.append(Q(Exists(rows)))
    return _any_of(conditions)


def gaps(operations: Collection[int]) -> dict[int, list[Gap]]:
    """What is missing of each of these operations, by its key, in the order of the table.

    One query a level, however many operations.
    """
    found = [gap for level in Level for gap in _gaps_of(level, operations)]
    found.sort(key=lambda gap: REQUIREMENTS.index(gap.requirement))
    by_operation: dict[int, list[Gap]] = defaultdict(list)
    for gap in found:
        by_operation[gap.operation_id].append(gap)
    return by_operation


def _gaps_of(level: Level, operations: Collection[int]) -> Iterator[Gap]:
    asked = [each for each in REQUIREMENTS if each.of is level]
    lacks = {f"lacks_{place}": each for place, each in enumerate(asked)}
    rows = level.rows.filter(**{f"{level.operation}__in": operations}).annotate(
        of_operation=F(level.operation),
        **{name: ExpressionWrapper(each.gap, BooleanField()) for name, each in lacks.items()},
    )
    to_tear = [level.tear] if level.tear else []
    for row in rows.order_by("pk").values("of_operation", *to_tear, *lacks):
        for name, requirement in lacks.items():
            if row[name]:
                yield Gap(requirement, row["of_operation"], row.get(level.tear))


def shares(operations: QuerySet[IndexProcedure]) -> dict[str, Share]:
    """By code of a requirement: how often it was asked in these operations, and how often it is missing."""
    return {code: share for level in Level for code, share in _shares_of(level, operations)}


def _shares_of(level: Level, operations: QuerySet[IndexProcedure]) -> Iterator[tuple[str, Share]]:
    of_level = [each for each in REQUIREMENTS if each.of is level]
    asked = {f"asked_{place}": each.asked for place, each in enumerate(of_level)}
    lacking_ = {f"lacking_{place}": each.gap for place, each in enumerate(of_level)}
    rows = level.rows.filter(**{f"{level.operation}__in": operations.order_by().values("pk")})
    counted = rows.aggregate(
        **{name: Count("pk", filter=condition) for name, condition in (asked | lacking_).items()}
    )
    for place, each in enumerate(of_level):
        yield each.code, Share(counted[f"asked_{place}"], counted[f"lacking_{place}"])


def complete_by_quarter(operations: QuerySet[IndexProcedure], group: str) -> QuerySet[Any, dict[str, Any]]:
    """Operations and complete ones, for each value of `group` and quarter of the operation."""
    quarters = operations.order_by().annotate(quarter=TruncQuarter("operated_on"))
    counted = {"asked": Count("pk"), "lacking": Count("pk", filter=lacking())}
    rows: QuerySet[Any, dict[str, Any]] = quarters.values(group, "quarter").annotate(**counted)
    return rows
