"""What every analysis says of its cohort: which repairs, what failure means, how long and how completely."""

from dataclasses import dataclass
from datetime import date
from typing import Self

from outcomes.estimators import follow_up
from outcomes.estimators.cautions import incomplete_follow_up
from outcomes.estimators.survival import Interval
from outcomes.failure import FailureDefinition
from outcomes.results import FEWEST_SHOWN
from outcomes.survival import Counted, group_of, late_entries

METHOD = f"{follow_up.METHOD} {follow_up.COMPLETENESS_METHOD}"
REFERENCE = f"{follow_up.REFERENCE} {follow_up.COMPLETENESS_REFERENCE}"
COUNTS_ONLY = f"Fewer than {FEWEST_SHOWN} repairs: counts only."


@dataclass(frozen=True, slots=True)
class Context:
    """A counted cohort in words and numbers, printed beside every figure of it; days as unit of time.

    `events` counts failures, `ended_otherwise` competing events. `entered_late` of the repairs came later
    from old notes, `left_out` more are not counted, since they ended before their entry; `late_entries` says
    so in words. `repeated_patients` have several repairs in the cohort.
    """

    cohort_sentence: str
    definition: FailureDefinition
    closed_on: date
    n: int
    events: int
    ended_otherwise: int
    follow_up: Interval
    completeness: float | None
    entered_late: int
    left_out: int
    late_entries: str
    repeated_patients: int

    @classmethod
    def of(
        cls, cohort_sentence: str, definition: FailureDefinition, closed_on: date, counted: Counted
    ) -> Self:
        """Read it from a cohort's counts; a cohort of none has no follow-up."""
        table = counted.table
        group = None if table.empty else group_of("all", "All repairs", table)
        return cls(
            cohort_sentence=cohort_sentence,
            definition=definition,
            closed_on=closed_on,
            n=group.curve.n if group else 0,
            events=group.curve.events if group else 0,
            ended_otherwise=group.ended_otherwise if group else 0,
            follow_up=group.follow_up if group else Interval(None, None, None),
            completeness=group.completeness if group else None,
            entered_late=counted.entered_late,
            left_out=counted.left_out,
            late_entries=late_entries(counted),
            repeated_patients=counted.repeated_patients,
        )

    @property
    def is_shown(self) -> bool:
        """Whether percentages and curves may be shown; of fewer repairs only counts."""
        return self.n >= FEWEST_SHOWN

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to bear in mind whatever is estimated."""
        incomplete = incomplete_follow_up(self.completeness) if self.is_shown else None
        said = (
            "" if self.is_shown else COUNTS_ONLY,
            incomplete.sentence if incomplete else "",
            self.late_entries,
            *self.definition.cautions,
        )
        return tuple(filter(None, said))
