"""Is a surgeon's run drifting: two-year results one by one, each against the risk of that repair."""

from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from outcomes import wording
from outcomes.estimators.cautions import REPAIRS_FOR_A_POSITION
from outcomes.estimators.monitoring import Cusum, RunLength, cusum, limit_for_run_length, run_length
from outcomes.own.expected import Expectation
from outcomes.own.rows import DAY, Rows
from outcomes.own.two_years import HORIZON_DAYS, TwoYears

WORSE, BETTER = 2.0, 0.5
# Own choice: at some 50 two-year results a year a false signal about once in ten years, each way.
RESULTS_TO_A_FALSE_SIGNAL = 500
TOO_FEW_RESULTS = (
    f"Fewer than {REPAIRS_FOR_A_POSITION} two-year results since a monitor could begin: none is drawn."
)
NO_RISK = "No risk can be expected from the other surgeons' repairs, so there is nothing to watch against."
GROWING = (
    "A failure is known sooner than its neighbours that stand, so while a surgeon's numbers grow the monitor "
    "reads a little high."
)


@dataclass(frozen=True, slots=True)
class Watch:
    """One direction: the path, its limit, and how soon it signals when nothing is wrong and when it is."""

    path: Cusum
    when_right: RunLength
    when_wrong: RunLength

    @property
    def limit(self) -> float:
        return self.when_right.limit

    @property
    def signals(self) -> tuple[int, ...]:
        return self.path.signals


@dataclass(frozen=True, slots=True)
class Monitor:
    """The sequence of results, one entry each in the order in which they became known.

    It begins on `began_on`, when a repair could first be known to have stood two years: before that only
    failures could be known, `before` of them. `waiting` repairs have no result yet, `lost` will have none.
    """

    known_on: tuple[date, ...]
    failed: tuple[int, ...]
    risks: tuple[float, ...]
    worse: Watch
    better: Watch
    began_on: date
    before: int
    waiting: int
    lost: int
    sooner_days: float | None
    cautions: tuple[str, ...]

    @property
    def n(self) -> int:
        return len(self.failed)

    @property
    def observed(self) -> int:
        return self.worse.path.observed

    @property
    def expected(self) -> float:
        return self.worse.path.expected

    @property
    def excess(self) -> tuple[float, ...]:
        """Observed minus expected failures, added up."""
        return self.worse.path.excess


def monitor(own: Rows, results: TwoYears, expectation: Expectation | None) -> Monitor | str:
    """Watch a surgeon's two-year results; a sentence where there is nothing to watch.

    Parameters
    ----------
    own : the surgeon's repairs
    results : their two-year results
    expectation : of the other surgeons' repairs, None where there are too few

    Notes
    -----
    Limits are chosen for RESULTS_TO_A_FALSE_SIGNAL results, on average, to a false signal, with the risks of
    this surgeon's own results as the mix to come.
    """
    # Old entries have no place in the sequence, so none begins it.
    began = own.table.loc[own.table["entry"] == 0, "operated"].min() + HORIZON_DAYS * DAY
    sequence = results.known[results.known["known_on"] >= began]
    if len(sequence) < REPAIRS_FOR_A_POSITION:
        return TOO_FEW_RESULTS
    risks = expectation.risks(sequence) if expectation else np.zeros(len(sequence))
    if not ((risks > 0) & (risks < 1)).all():
        return NO_RISK
    failed = sequence["failed_by"].tolist()
    when_failed = sequence.loc[sequence["failed_by"] == 1, "day"]
    return Monitor(
        known_on=_dates(sequence["known_on"]),
        failed=tuple(failed),
        risks=tuple(risks.tolist()),
        worse=_watch(failed, risks.tolist(), WORSE),
        better=_watch(failed, risks.tolist(), BETTER),
        began_on=began.date(),
        before=len(results.known) - len(sequence),
        waiting=results.waiting,
        lost=results.lost,
        sooner_days=float(when_failed.mean()) if len(when_failed) else None,
        cautions=_cautions(results),
    )


def _watch(failed: list[int], risks: list[float], odds_ratio: float) -> Watch:
    when_right, when_wrong = run_lengths(tuple(sorted(risks)), odds_ratio)
    return Watch(cusum(failed, risks, odds_ratio, when_right.limit), when_right, when_wrong)


@lru_cache(maxsize=128)
def run_lengths(risks: tuple[float, ...], odds_ratio: float) -> tuple[RunLength, RunLength]:
    """The limit with its run lengths: a second's work, and the same while the mix of risks is."""
    limit = limit_for_run_length(risks, odds_ratio, RESULTS_TO_A_FALSE_SIGNAL)
    return run_length(risks, odds_ratio, limit), run_length(risks, odds_ratio, limit, odds_ratio)


def _dates(column: "pd.Series[Any]") -> tuple[date, ...]:
    return tuple(day.date() for day in column)


def _cautions(results: TwoYears) -> tuple[str, ...]:
    lost = wording.counted(results.lost, "repair")
    said = (
        GROWING,
        results.incomplete,
        f"{lost} lost, or ended otherwise, before two years are not in it; if those stood, it reads high."
        if results.lost
        else "",
    )
    return tuple(filter(None, said))
