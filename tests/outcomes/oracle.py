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
    Kept,
    Knee,
    PatientReport,
    Reoperation,
    ReoperationOnTear,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    Surgeon,
    Tear,
    Unit,
    Visit,
)
from registry.recording import Act, record, withdraw
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
    """One event of the knee: a visit, contact, score, report, look, imaging or reoperation."""

    kind: str
    day: int
    effusion: str = ""
    tender: bool | None = None
    mcmurray: bool | None = None
    lysholm: int | None = None
    reoperated_since: str = "not_asked"
    # What a patient's report says of another operation.
    told: str = ""
    other_surgery: str = "none"
    on_tears: tuple[OnTear, ...] = ()
    # Entered by mistake and withdrawn since: it counts nowhere.
    withdrawn: bool = False


@dataclass(frozen=True)
class KneeSpec:
    """One knee in plain values."""

    operations: tuple[int, ...]
    entry_lag: int
    tears: tuple[TearSpec, ...]
    entered: tuple[EventSpec, ...]
    died: int | None

    @property
    def events(self) -> tuple[EventSpec, ...]:
        """What stands of it."""
        return tuple(event for event in self.entered if not event.withdrawn)


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
    treated = [
        (event, said)
        for event in knee.events
        if event.kind in ("reoperation", "look")
        for said in event.on_tears
    ]
    failed = [
        e.day
        for e, s in treated
        if s.tear == place and s.action in FAILING and (e.kind == "look" or s.site == "same")
    ]
    failed += [
        knee.operations[tear.operation]
        for tear in knee.tears
        if tear.revises == place and tear.treatment != "left"
    ]
    if any_failure:
        failed += [event.day for event in knee.events if _shows_failure(knee, event, place, start)]
    replaced = [event.day for event in knee.events if event.other_surgery in REPLACING and event.day >= start]
    removed = [e.day for e, s in treated if s.action in REMOVING and _same_meniscus(knee, s.tear, place)]
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
        days += [e.day for e in knee.events if e.kind == "report" and e.told == "no"]
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
    for event in knee.entered:
        row = _put_event(event, saved, tears)
        if event.withdrawn:
            withdraw(row, Act(None, "entered by mistake"))


def _date(day: int) -> date:
    return START + timedelta(days=day)


def _put_event(event: EventSpec, knee: Knee, tears: list[Tear]) -> Kept:
    row = _row(event, knee, _date(event.day))
    record(row, *(_finding(row, tears[said.tear], said) for said in event.on_tears))
    return row


def _row(event: EventSpec, knee: Knee, day: date) -> Kept:
    if event.kind == "visit":
        signs = {"joint_line_tenderness": event.tender, "mcmurray": event.mcmurray}
        return Visit(knee=knee, seen_on=day, effusion=event.effusion, **signs)
    if event.kind == "contact":
        return Contact(knee=knee, contacted_on=day, source="phone")
    if event.kind == "score":
        said = {"items": LYSHOLM_FORMS[event.lysholm], "reoperated_since": event.reoperated_since}
        return ScoreResponse(knee=knee, answered_on=day, instrument="lysholm", **said)
    if event.kind == "report":
        return PatientReport(knee=knee, answered_on=day, operated_again=event.told, way="link")
    if event.kind == "look":
        return SecondLook(knee=knee, looked_on=day, reason="symptoms")
    if event.kind == "imaging":
        return Imaging(knee=knee, imaged_on=day, modality="mri")
    return Reoperation(knee=knee, operated_on=day, other_surgery=event.other_surgery)


def _finding(row: Kept, tear: Tear, said: OnTear) -> Kept:
    if isinstance(row, SecondLook):
        seen = {"healed_thickness_percent": said.thickness, "action": said.action}
        return SecondLookFinding(look=row, tear=tear, **seen)
    if isinstance(row, Imaging):
        return ImagingFinding(imaging=row, tear=tear, healed=said.imaging)
    return ReoperationOnTear(reoperation=row, tear=tear, action=said.action, site=said.site)
