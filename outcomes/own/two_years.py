"""Two-year results: which repairs failed within two years, which stood, and on what day that was known."""

from dataclasses import dataclass

import pandas as pd

from outcomes import wording
from outcomes.estimators.cautions import COMPLETE_ENOUGH
from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.own.rows import DAY, Rows
from outcomes.timeline import CENSORED

YEARS = 2
HORIZON_DAYS = LANDMARK_DAYS[YEARS]

RULE = (
    "Of the repairs whose two years are over, those that failed within two years and those followed for two "
    "years; one lost, or ended otherwise, before that has no result. A failure of a later repair does not "
    "count yet: those beside it that stand are not known yet either."
)


@dataclass(frozen=True, slots=True)
class TwoYears:
    """Two-year results of some repairs.

    `known` has the repairs with a result in the order in which it became known, with `failed_by` (0 or 1),
    `known_on` (date) and `over` (whether two years have passed) beside the columns of their rows. Of the
    others `waiting` may still come to have one, `lost` will not; `entered_late` came from old notes and count
    neither way, since an old entry tends to be one that somebody remembers.
    """

    known: pd.DataFrame
    waiting: int
    lost: int
    entered_late: int

    @property
    def table(self) -> pd.DataFrame:
        """The results at fixed follow-up (see RULE), in the order of the operations."""
        over = self.known[self.known["over"]]
        return over.sort_values(["operated", "repair"]).reset_index(drop=True)

    @property
    def share_known(self) -> float | None:
        """Of the repairs that have a result or never will, the share that has; None when there are none."""
        results = len(self.table)
        return results / (results + self.lost) if results + self.lost else None

    @property
    def incomplete(self) -> str:
        """A caution where too many have no result; empty where enough have."""
        share = self.share_known
        if share is None or share >= COMPLETE_ENOUGH:
            return ""
        return (
            f"Only {wording.percent(share)} of the repairs whose two years are over have a result: failures "
            "are more surely known than successes, so shares read high."
        )

    @property
    def early(self) -> int:
        """Failures of repairs whose two years are not over."""
        return int((~self.known["over"]).sum())


def two_years(rows: Rows) -> TwoYears:
    """Read the two-year results from rows.

    A failure is known on its day, a repair that stands on the day two years are over. Followed means: known
    well, failed or met by a competing event at HORIZON_DAYS or later.
    """
    prompt = rows.table[rows.table["entry"] == 0]
    end = prompt["operated"] + HORIZON_DAYS * DAY
    over = end <= pd.Timestamp(rows.closed_on)
    failed_by = prompt["failed"] & (prompt["day"] <= HORIZON_DAYS)
    has_result = failed_by | (prompt["day"] >= HORIZON_DAYS)
    is_open = ~has_result & ~over & (prompt["outcome"] == CENSORED)
    known = prompt.assign(
        failed_by=failed_by.astype(int),
        known_on=prompt["operated"] + prompt["day"].where(failed_by, HORIZON_DAYS) * DAY,
        over=over,
    )[has_result]
    return TwoYears(
        known=known.sort_values(["known_on", "operated", "repair"]).reset_index(drop=True),
        waiting=int(is_open.sum()),
        lost=int((~has_result & ~is_open).sum()),
        entered_late=len(rows.table) - len(prompt),
    )
