"""Result objects: a number never travels alone. Pages, briefing and commands print these; none computes."""

from dataclasses import dataclass
from datetime import date

from outcomes.estimators.comparison import LogRank, Pair
from outcomes.estimators.regression.efron import ChiSquare
from outcomes.estimators.survival import Interval, SurvivalCurve
from outcomes.estimators.trend import Trend

# Percentages and curves of fewer than this many mislead; chosen by hand, as in interface and release.
FEWEST_SHOWN = 5


@dataclass(frozen=True, slots=True)
class Group:
    """One level of a stratum: its curve, how long it was followed, and how completely."""

    code: str
    label: str
    curve: SurvivalCurve
    follow_up: Interval
    completeness: float | None
    ended_otherwise: int

    @property
    def is_shown(self) -> bool:
        """Whether its curve may be drawn and read; a group of fewer is told by counts alone."""
        return self.curve.n >= FEWEST_SHOWN


@dataclass(frozen=True, slots=True)
class SurvivalResult:
    """Survival of a cohort split by one stratum, with everything a reader needs to judge it.

    `comparison` is None when fewer than two known groups, or no failure, leave nothing to compare; then
    `pairs` is empty and the others are None. `clustered_test` is the score test with the patient as cluster,
    None too where nobody has two repairs or it cannot be had; `trend` is for ordered levels alone.
    `entered_late` repairs are at risk only from their entry, `left_out` never were: they ended before it.
    """

    title: str
    stratum_code: str
    stratum_title: str
    groups: tuple[Group, ...]
    overall: Group
    comparison: LogRank | None
    pairs: tuple[Pair, ...]
    trend: Trend | None
    clustered_test: ChiSquare | None
    definition_name: str
    definition_sentence: str
    cohort_sentence: str
    closed_on: date
    entered_late: int
    left_out: int
    methods: tuple[str, ...]
    references: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
