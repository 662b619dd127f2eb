"""What counts as failing: named definitions, each a union of dated events and one plain sentence.

Every event is a row (of_tear, event_on). Curves, standings and releases all read these, so none disagrees.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Exists, F, OuterRef, Q, QuerySet
from django.db.models.lookups import LessThan

from registry.database import Days
from registry.models import (
    ImagingFinding,
    IndexProcedure,
    Reoperation,
    ReoperationOnTear,
    ScoreResponse,
    SecondLookFinding,
    Tear,
    Visit,
)
from registry.rules.healing import (
    CLINICAL_HEALING_FROM_DAYS,
    FAILED_CLEFT_FROM_PERCENT,
    POOR_LYSHOLM_BELOW,
    POOR_LYSHOLM_FROM_DAYS,
)
from registry.scoring import TOTAL
from registry.scoring.lysholm import LYSHOLM
from registry.vocabulary import (
    REPAIRED_TREATMENTS,
    REPLACEMENTS,
    Effusion,
    HealingClass,
    ReoperationAction,
    TearSite,
    Treatment,
)

Events = QuerySet[Any, Any]

FAILING_ACTIONS = (
    ReoperationAction.RE_REPAIR,
    ReoperationAction.PARTIAL_REMOVAL,
    ReoperationAction.TOTAL_REMOVAL,
    ReoperationAction.TRANSPLANT,
    ReoperationAction.ROOT_REFIXATION,
)
REMOVING_ACTIONS = (ReoperationAction.TOTAL_REMOVAL, ReoperationAction.TRANSPLANT)

REOPERATED, STRUCTURE, CLINIC = "reoperated", "structure", "clinic"
KINDS = {REOPERATED: "Operated on again", STRUCTURE: "Seen not healed", CLINIC: "Signs and scores"}


@dataclass(frozen=True, slots=True)
class EventSource:
    """One kind of dated event of a tear: what happened, in words, and the rows that say so.

    `kind` is one of KINDS: what was done, or what only an examination finds.
    """

    code: str
    kind: str
    what: str
    events: Callable[[], Events]


@dataclass(frozen=True, slots=True)
class FailureDefinition:
    """A definition of failure by name, its sentence, its sources, and the cautions it brings."""

    code: str
    name: str
    sentence: str
    sources: tuple[EventSource, ...]
    # Whether only an examination tells that the repair still stands; a call or a letter then does not.
    examined: bool = False
    cautions: tuple[str, ...] = ()


def _events(rows: QuerySet[Any, Any], tear: str, day: str) -> Events:
    events: Events = rows.order_by().annotate(of_tear=F(tear), event_on=F(day)).values("of_tear", "event_on")
    return events


def _after_repair(rows: QuerySet[Any, Any], day: str, *, tear: str, operated: str, days: int) -> Events:
    """Events at least so many days after the operation on the tear."""
    # The delay is an annotation, not a second filter: that one would join the knee's tears anew.
    delayed = rows.annotate(delay=Days(F(day), F(operated)))
    return _events(delayed, tear, day).filter(delay__gte=days, of_tear__isnull=False)


def _of_every_tear(rows: QuerySet[Any, Any], day: str, days: int = 0) -> Events:
    """Events of a knee, told of each of its tears operated on at least so many days before."""
    tear, operated = "knee__procedures__tears", "knee__procedures__operated_on"
    return _after_repair(rows, day, tear=tear, operated=operated, days=days)


def _settled(rows: QuerySet[Any, Any], day: str, days: int) -> Events:
    """Events of a knee not operated on in the days before, by whatever operation.

    A knee swollen by the second of two staged operations says nothing of the repair.
    """
    for operation in (IndexProcedure, Reoperation):
        since: Any = Days(OuterRef(day), F("operated_on"))
        recent = operation._default_manager.filter(
            LessThan(since, days), knee=OuterRef("knee"), operated_on__lte=OuterRef(day)
        )
        rows = rows.exclude(Exists(recent))
    return _of_every_tear(rows, day)


def _reoperated() -> Events:
    rows = ReoperationOnTear.objects.filter(action__in=FAILING_ACTIONS, site=TearSite.SAME)
    return _events(rows, "tear_id", "reoperation__operated_on")


def _treated_at_look() -> Events:
    return _events(SecondLookFinding.objects.filter(action__in=FAILING_ACTIONS), "tear_id", "look__looked_on")


def _returned(*treatments: Treatment) -> Events:
    rows = Tear.objects.filter(revises__isnull=False, treatment__in=treatments)
    return _events(rows, "revises_id", "procedure__operated_on")


def _repaired_again() -> Events:
    return _returned(*REPAIRED_TREATMENTS)


def _removed_again() -> Events:
    return _returned(Treatment.REMOVED)


def _look_failed() -> Events:
    limit = 100 - F("look__knee__patient__unit__failed_cleft_from_percent")
    rows = SecondLookFinding.objects.filter(healed_thickness_percent__lte=limit)
    return _events(rows, "tear_id", "look__looked_on")


def _imaging_not_healed() -> Events:
    return _after_repair(
        ImagingFinding.objects.filter(healed=HealingClass.FAILED),
        "imaging__imaged_on",
        tear="tear_id",
        operated="tear__procedure__operated_on",
        days=CLINICAL_HEALING_FROM_DAYS,
    )


def _clinic_not_healed() -> Events:
    effused = Q(effusion__in=[Effusion.SLIGHT, Effusion.MARKED])
    signs = effused | Q(joint_line_tenderness=True) | Q(mcmurray=True)
    return _settled(Visit.objects.filter(signs), "seen_on", CLINICAL_HEALING_FROM_DAYS)


def _poor_lysholm() -> Events:
    poor = ScoreResponse.objects.filter(
        instrument=LYSHOLM.code, **{f"scale_values__{TOTAL}__lt": POOR_LYSHOLM_BELOW}
    )
    return _settled(poor, "answered_on", POOR_LYSHOLM_FROM_DAYS)


def knee_replaced() -> Events:
    """Competing: the knee was replaced after the repair."""
    return _of_every_tear(Reoperation.objects.filter(other_surgery__in=REPLACEMENTS), "operated_on")


def meniscus_removed_elsewhere() -> list[Events]:
    """Competing: that meniscus was removed, or replaced by a transplant, for another tear in it."""
    return [
        _removed_beside(ReoperationOnTear.objects.all(), "reoperation", "operated_on"),
        _removed_beside(SecondLookFinding.objects.all(), "look", "looked_on"),
    ]


def _removed_beside(rows: QuerySet[Any, Any], event: str, day: str) -> Events:
    tears = f"{event}__knee__procedures__tears"
    removals = rows.filter(action__in=REMOVING_ACTIONS)
    # Told of every tear of that meniscus. Of the one that failed too, but then failure goes first.
    same_meniscus = removals.annotate(beside=F(f"{tears}__meniscus")).filter(beside=F("tear__meniscus"))
    operated = f"{event}__knee__procedures__operated_on"
    return _after_repair(same_meniscus, f"{event}__{day}", tear=tears, operated=operated, days=0)


_ALL_SOURCES = (
    EventSource(
        "reoperated",
        REOPERATED,
        "removed, re-repaired, refixed or replaced by a transplant at a reoperation",
        _reoperated,
    ),
    EventSource(
        "treated_at_look",
        REOPERATED,
        "removed, re-repaired, refixed or replaced by a transplant at a second look",
        _treated_at_look,
    ),
    EventSource("repaired_again", REOPERATED, "repaired again at a later operation", _repaired_again),
    EventSource("removed_later", REOPERATED, "removed at a later operation", _removed_again),
    EventSource("look", STRUCTURE, "not healed at a second look", _look_failed),
    EventSource("imaging", STRUCTURE, "not healed on imaging", _imaging_not_healed),
    EventSource("signs", CLINIC, "not clinically healed at a visit", _clinic_not_healed),
    EventSource("lysholm", CLINIC, f"Lysholm below {POOR_LYSHOLM_BELOW}", _poor_lysholm),
)
SOURCES: dict[str, EventSource] = {source.code: source for source in _ALL_SOURCES}

STANDS_TO_EXAMINATION = (
    "A repair stands to its last examination: a call or a letter tells nothing of healing."
)
EXAMINATION_CAUTIONS = (
    "Looks, imaging, visits and scores date when failure was seen; it happened earlier.",
    "Second looks and imaging examine some knees and not others: "
    "staged knees are looked at because they are staged.",
)

REOPERATION = FailureDefinition(
    code="reoperation",
    name="Reoperation on the repair",
    sentence=(
        "A repair fails on the day that tear is re-repaired, partly or totally removed, refixed or "
        "replaced by a transplant. Staged ligament surgery alone is not a failure."
    ),
    sources=tuple(source for source in _ALL_SOURCES if source.kind == REOPERATED),
)
ANY = FailureDefinition(
    code="any",
    name="Any failure",
    sentence=(
        "A repair fails on the first of: reoperation on it; a second look that finds a cleft of "
        f"{FAILED_CLEFT_FROM_PERCENT} % of its thickness or more (or its unit's limit); imaging not healed, "
        "or a clinic visit with effusion, joint-line tenderness or a positive McMurray, "
        f"from {CLINICAL_HEALING_FROM_DAYS} days on; "
        f"Lysholm below {POOR_LYSHOLM_BELOW} from {POOR_LYSHOLM_FROM_DAYS} days on. "
        f"For visits and scores the days count from the knee's latest operation. {STANDS_TO_EXAMINATION}"
    ),
    sources=_ALL_SOURCES,
    examined=True,
    cautions=EXAMINATION_CAUTIONS,
)
DEFINITIONS: dict[str, FailureDefinition] = {definition.code: definition for definition in (REOPERATION, ANY)}


def own_definition(code: str, name: str, sources: Sequence[str]) -> FailureDefinition:
    """A definition of a unit's own: the first of the kinds of event named by the codes of SOURCES.

    Raises
    ------
    ValueError
        Naming the code that is no source, or saying that there is none.
    """
    unknown = [source for source in sources if source not in SOURCES]
    if unknown or not sources:
        said = f"'{unknown[0]}' is none of them" if unknown else "none was given"
        raise ValueError(f"sources: {said}; choose from {', '.join(SOURCES)}.")
    chosen = tuple(source for source in _ALL_SOURCES if source.code in sources)
    examined = any(source.kind != REOPERATED for source in chosen)
    sentence = f"A repair fails on the first of: {'; '.join(source.what for source in chosen)}."
    return FailureDefinition(
        code=code,
        name=name,
        sentence=f"{sentence} {STANDS_TO_EXAMINATION}" if examined else sentence,
        sources=chosen,
        examined=examined,
        cautions=EXAMINATION_CAUTIONS if examined else (),
    )
