"""What is told about planned reviews: forms, patients' reports, links with their messages, what was given up
and what is booked. Pure.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID


@dataclass(frozen=True, slots=True)
class ScoreStory:
    uuid: UUID
    recorded_at: datetime
    answered_on: date
    instrument: str
    instrument_version: str
    items: Mapping[str, int]
    scale_values: Mapping[str, float]
    way: str
    reoperated_since: str


@dataclass(frozen=True, slots=True)
class ReportStory:
    """A patient's word on another operation. What confirms it is named by its place in the knee's story."""

    uuid: UUID
    recorded_at: datetime
    answered_on: date
    time_point: str
    way: str
    operated_again: str
    where: str
    when: str
    what: str
    fever: bool
    calf_pain: bool
    locked_knee: bool
    signs_seen_to: bool
    # Places among the knee's reoperations and its procedures.
    reoperation: int | None
    procedure: int | None
    no_reoperation_because: str


@dataclass(frozen=True, slots=True)
class GivenUpStory:
    uuid: UUID
    recorded_at: datetime
    given_up_on: date
    time_point: str
    reason: str


@dataclass(frozen=True, slots=True)
class BookedStory:
    uuid: UUID
    recorded_at: datetime
    booked_for: date
    time_point: str


@dataclass(frozen=True, slots=True)
class MessageStory:
    kind: str
    channel: str
    state: str
    claimed_at: datetime
    claimed_by: UUID
    ended_at: datetime
    problem: str


@dataclass(frozen=True, slots=True)
class HalfStory:
    """What was answered before the patient broke off: screens done, and the items on them by instrument.

    `report` is the place of the report, told first, among the knee's.
    """

    report: int
    done: tuple[str, ...]
    items: Mapping[str, Mapping[str, int]]


@dataclass(frozen=True, slots=True)
class LinkStory:
    """One link; `report` is the place of its report among the knee's, None where nobody answered."""

    uuid: UUID
    time_point: str
    instruments: tuple[str, ...]
    made_at: datetime
    finished_at: datetime | None
    report: int | None
    half: HalfStory | None
    messages: tuple[MessageStory, ...]
