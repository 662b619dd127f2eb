"""What is drawn of one form of one knee: its answers, and the interventions that they are read against."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from registry.scoring import Instrument, Scale, ScaleScore


@dataclass(frozen=True, slots=True)
class ScoreAnswer:
    """One form answered once: its scores by scale, and the answer about another operation in words."""

    answered_on: date
    scores: Mapping[str, ScaleScore]
    items_answered: int
    version: str
    reoperated: str
    profile: str | None = None


class Intervention(StrEnum):
    """What is marked by a vertical line."""

    OPERATION = "operation"
    SECOND_LOOK = "second look"
    REOPERATION = "reoperation"


@dataclass(frozen=True, slots=True, order=True)
class Mark:
    """One intervention on its day."""

    on: date
    what: Intervention


@dataclass(frozen=True, slots=True)
class ScoreCurve:
    """What one figure shows: answers to one instrument (at least one) and interventions, in any order."""

    instrument: Instrument
    answers: Sequence[ScoreAnswer]
    marks: Sequence[Mark]

    @property
    def operated_on(self) -> date | None:
        """Day 0: the first operation; None when none is on record."""
        return min((mark.on for mark in self.marks if mark.what is Intervention.OPERATION), default=None)

    @property
    def in_order(self) -> list[ScoreAnswer]:
        return sorted(self.answers, key=lambda answer: answer.answered_on)

    def name(self, scale: Scale) -> str:
        """The scale's name beside others, that of the form where it is the only one."""
        return scale.name if len(self.instrument.scales) > 1 else self.instrument.name

    def scored(self, scale: Scale) -> list[tuple[date, float]]:
        """Day and value of each answer that could be scored, in order."""
        both = [(answer.answered_on, answer.scores[scale.code].value) for answer in self.in_order]
        return [(day, value) for day, value in both if value is not None]

    def not_scorable(self, scale: Scale) -> list[date]:
        """The days of the answers that could not be scored, in order."""
        return [answer.answered_on for answer in self.in_order if answer.scores[scale.code].value is None]
