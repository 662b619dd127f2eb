"""What a rehearsal found, or what taking in did: counts by standing, and every problem with its place."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Self

from registry.intake.problem import Problem


class Standing(StrEnum):
    """How something a file tells stands to the record."""

    NEW = "new"
    ON_RECORD = "on_record"
    CONFLICTING = "conflicting"
    REFUSED = "refused"


KINDS = ("patients", "operations", "tears", "events")
Counts = dict[str, dict[str, int]]


def no_counts() -> Counts:
    return {kind: dict.fromkeys((str(standing) for standing in Standing), 0) for kind in KINDS}


@dataclass(frozen=True, slots=True)
class Report:
    """`rows` tell something; `left_out` are totals, repeated headers and rows without an operation or event.

    `counts` has what a file tells by kind (`KINDS`) and standing.
    """

    rows: int
    left_out: int
    counts: Mapping[str, Mapping[str, int]]
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def new(self) -> int:
        """How many things the record did not know before."""
        return sum(each[Standing.NEW] for each in self.counts.values())

    def agrees_with(self, other: "Report") -> bool:
        """Whether both promise the same, whatever their words."""
        return (self.rows, self.left_out, self.counts) == (other.rows, other.left_out, other.counts) and {
            (each.sheet, each.row) for each in self.problems
        } == {(each.sheet, each.row) for each in other.problems}

    def without_values(self) -> Self:
        """Without what stands in the file, to be kept when the file is gone."""
        return replace(self, problems=tuple(replace(each, value="") for each in self.problems))

    def as_json(self) -> dict[str, Any]:
        """Plain values that `from_json` takes back."""
        return {
            "rows": self.rows,
            "left_out": self.left_out,
            "counts": {kind: dict(counts) for kind, counts in self.counts.items()},
            "problems": [each.as_json() for each in self.problems],
            "notes": list(self.notes),
        }

    @classmethod
    def from_json(cls, said: Mapping[str, Any]) -> Self:
        """The report that `as_json` gave."""
        problems = tuple(Problem.from_json(each) for each in said["problems"])
        return cls(said["rows"], said["left_out"], said["counts"], problems, tuple(said["notes"]))


def in_order(problems: Iterable[Problem], sheets: Iterable[str]) -> tuple[Problem, ...]:
    """Each problem once, by sheet as the file has them, row and column."""
    order = {name: place for place, name in enumerate(sheets)}
    once = dict.fromkeys(problems)
    return tuple(sorted(once, key=lambda each: (order[each.sheet], each.row, len(each.column), each.column)))
