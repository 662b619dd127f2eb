"""A slow, plain second opinion on what became of a repair, and invented knees to try it on.

The oracle works on the plain description of a knee, never on the database: an independent path to the answer.
Days count from START.
"""

from collections import Counter
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from registry.models import (
    Contact,
    Imaging,
    ImagingFinding,
    Reoperation,
    ReoperationOnTear,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    Surgeon,
    Unit,
    Visit,
)
from registry.recording import record
from tests import factories

START = date(2015, 1, 1)
LATE_AFTER_DAYS = 90
CLOSED_DAY = 4000
CLOSED_ON = START + timedelta(days=CLOSED_DAY)

# Whole Lysholm forms by their sum; the last is half answered and so not scorable.
LYSHOLM_ITEMS = ("limp", "support", "locking", "instability", "pain", "swelling", "stairs", "squatting")
LYSHOLM_FORMS: dict[int | None, dict[str, int]] = {
    64: dict(zip(LYSHOLM_ITEMS, (3, 5, 10, 20, 15, 6, 0, 5), strict=True)),
    65: dict(zip(LYSHOLM_ITEMS, (5, 5, 10, 20, 15, 6, 0, 4), strict=True)),
    None: dict.fromkeys(LYSHOLM_ITEMS[:4], 0),
}

FAILING = {"re_repair", "partial_removal", "total_removal", "transplant", "root_refixation"}
REMOVING = {"total_removal", "transplant"}
REPLACING = {"partial_replacement", "total_replacement"}


@dataclass(frozen=True)
class TearSpec:
    """A tear: its operation, and the place (in KneeSpec.tears) of the tear that it is the return of."""

    operation: int
    revises: int | None = None
    meniscus: str = "medial"
    treatment: str = "repaired"


@dataclass(frozen=True)
class OnTear:
    """What an event says of one tear, by place."""

    tear: int
    thickness: int | None = None
    imaging: str = ""
    action: str = "none"
    site: str = "same"


@dataclass(frozen=True)
class EventSpec:
    """One event of the knee: a visit, contact, score, look, imaging or reoperation."""

    kind: str
    day: int
    effusion: str = ""
    tender: bool | None = None
    mcmurray: bool | None = None
    lysholm: int | None = None
    reoperated_since: str = "not_asked"
    other_surgery: str = "none"
    on_tears: tuple[OnTear, ...] = ()


@dataclass(frozen=True)
class KneeSpec:
    """One knee in plain values."""

    operations: tuple[int, ...]
    entry_lag: int
    tears: tuple[TearSpec, ...]
    events: tuple[EventSpec, ...]
    died: int | None


# --- the plain answer -------------------------------------------------------------------------


def counts(knees: list[KneeSpec], any_failure: bool) -> Counter[tuple[bool, int, str]]:
    """How many repairs end late-entered or not, on which day after operation, with which outcome."""
    return Counter(
        (knee.entry_lag > LATE_AFTER_DAYS, *outcome(knee, place, any_failure))
        for knee in knees
        for place, tear in enumerate(knee.tears)
        if tear.treatment == "repaired"
    )


def outcome(knee: KneeSpec, place: int, any_failure: bool) -> tuple[int, str]:
    """Days to, and kind of, what ended the observation of one repair."""
    start = knee.operations[knee.tears[place].operation]
    ends = [(day, rank, name) for rank, name, days in _ends(knee, place, start, any_failure) for day in days]
    if ends:
        day, _, name = min(ends)
        return day - start, name
    return max([start, *_sightings(knee, any_failure)]) - start, "censored"


def _ends(knee: KneeSpec, place: int, start: int, any_failure: bool) -> list[tuple[int, str, list[int]]]:
    reoperated = [
        (event, said) for event in knee.events if event.kind == "reoperation" for said in event.on_tears
    ]
    failed = [e.day for e, s in reoperated if s.tear == place and s.action in FAILING and s.site == "same"]
    failed += [
        knee.operations[tear.operation]
        for tear in knee.tears
        if tear.revises == place and tear.treatment != "left"
    ]
    if any_failure:
        failed += [event.day for event in knee.events if _shows_failure(knee, event, place, start)]
    replaced = [event.day for event in knee.events if event.other_surgery in REPLACING and event.day >= start]
    removed = [e.day for e, s in reoperated if s.action in REMOVING and _same_meniscus(knee, s.tear, place)]
    removed = [day for day in removed if day >= start]
    died = [] if knee.died is None else [knee.died]
    return [
        (0, "failed", failed),
        (1, "replaced", replaced),
        (2, "removed_elsewhere", removed),
        (3, "died", died),
    ]


def _same_meniscus(knee: KneeSpec, tear: int, other: int) -> bool:
    return knee.tears[tear].meniscus == knee.tears[other].meniscus


def _shows_failure(knee: KneeSpec, event: EventSpec, place: int, start: int) -> bool:
    said = [s for s in event.on_tears if s.tear == place]
    if event.kind == "look":
        return any(s.thickness is not None and 100 - s.thickness >= 50 for s in said)
    if event.kind == "imaging":
        return event.day - start >= 183 and any(s.imaging == "failed" for s in said)
    if event.day < start:
        return False
    settled = min(event.day - day for day in _operations(knee) if day <= event.day)
    if event.kind == "visit":
        signs = event.effusion in ("slight", "marked") or event.tender is True or event.mcmurray is True
        return settled >= 183 and signs
    poor = event.kind == "score" and event.lysholm is not None and event.lysholm < 65
    return settled >= 365 and poor


def _operations(knee: KneeSpec) -> list[int]:
    return [*knee.operations, *(event.day for event in knee.events if event.kind == "reoperation")]


def _sightings(knee: KneeSpec, examined: bool) -> list[int]:
    seen = {"visit", "look"} if examined else {"visit", "look", "contact"}
    days = [*_operations(knee), *(event.day for event in knee.events if event.kind in seen)]
    if not examined:
        days += [e.day for e in knee.events if e.kind == "score" and e.reoperated_since == "no"]
    return days


# --- the same knee in the database ------------------------------------------------------------


def put_into_record(knee: KneeSpec, unit: Unit, surgeon: Surgeon) -> None:
    """Write one knee through the one way in."""
    died_on = None if knee.died is None else _date(knee.died)
    saved = factories.a_knee(unit, died_on=died_on)
    procedures = [
        factories.an_operation(
            unit,
            surgeon,
            saved,
            operated_on=_date(day),
            recorded_at=datetime.combine(_date(day + knee.entry_lag), time(23, 59), UTC),
        )
        for day in knee.operations
    ]
    tears = []
    for spec in knee.tears:
        earlier = None if spec.revises is None else tears[spec.revises]
        fields = {"revises": earlier, "meniscus": spec.meniscus, "treatment": spec.treatment}
        tears.append(factories.a_tear(procedures[spec.operation], **fields))
    for event in knee.events:
        _put_event(event, saved, tears)


def _date(day: int) -> date:
    return START + timedelta(days=day)


def _put_event(event: EventSpec, knee: object, tears: list[object]) -> None:
    day = _date(event.day)
    if event.kind == "visit":
        record(
            Visit(
                knee=knee,
                seen_on=day,
                effusion=event.effusion,
                joint_line_tenderness=event.tender,
                mcmurray=event.mcmurray,
            )
        )
    elif event.kind == "contact":
        record(Contact(knee=knee, contacted_on=day, source="phone"))
    elif event.kind == "score":
        items = LYSHOLM_FORMS[event.lysholm]
        record(
            ScoreResponse(
                knee=knee,
                answered_on=day,
                instrument="lysholm",
                items=items,
                reoperated_since=event.reoperated_since,
            )
        )
    elif event.kind == "look":
        look = SecondLook(knee=knee, looked_on=day, reason="symptoms")
        record(
            look,
            *(
                SecondLookFinding(look=look, tear=tears[s.tear], healed_thickness_percent=s.thickness)
                for s in event.on_tears
            ),
        )
    elif event.kind == "imaging":
        imaging = Imaging(knee=knee, imaged_on=day, modality="mri")
        record(
            imaging,
            *(ImagingFinding(imaging=imaging, tear=tears[s.tear], healed=s.imaging) for s in event.on_tears),
        )
    else:
        again = Reoperation(knee=knee, operated_on=day, other_surgery=event.other_surgery)
        record(
            again,
            *(
                ReoperationOnTear(reoperation=again, tear=tears[s.tear], action=s.action, site=s.site)
                for s in event.on_tears
            ),
        )
