"""What the released repairs tell of themselves: how many, of whom, how long followed, how complete."""

from dataclasses import dataclass

import pandas as pd

from outcomes import wording
from outcomes.estimators.follow_up import reverse_kaplan_meier
from outcomes.release.columns import CODES, COLUMNS, TEXT
from outcomes.release.effect import at_risk_while_known
from outcomes.release.frozen import REPAIRS
from outcomes.results import FEWEST_SHOWN
from outcomes.timeline import CENSORED, COMPETING


@dataclass(frozen=True, slots=True)
class Facts:
    """Counts of the released repairs; `median_follow_up` in words.

    `entered_late` are at risk from a later day on; `never_at_risk` had ended by then and are left out of the
    survival, but not of the table.
    """

    repairs: int
    patients: int
    failures: int
    competing: int
    entered_late: int
    never_at_risk: int
    median_follow_up: str

    @property
    def is_enough_for_shares(self) -> bool:
        """Whether they are enough for percentages."""
        return self.repairs >= FEWEST_SHOWN


def facts_of(repairs: pd.DataFrame) -> Facts:
    """The facts of a table of repairs."""
    at_risk = at_risk_while_known(repairs)
    return Facts(
        repairs=len(repairs),
        patients=int(repairs["patient"].nunique()),
        failures=int(repairs["failed"].sum()),
        competing=int(repairs["outcome"].isin(COMPETING).sum()),
        entered_late=int(at_risk["at_risk_from"].gt(0).sum()),
        never_at_risk=len(repairs) - len(at_risk),
        median_follow_up=_median(repairs.loc[at_risk.index]),
    )


def not_recorded(repairs: pd.DataFrame) -> dict[str, int]:
    """How many repairs lack each column; left out are columns that none lacks, pseudonyms and lists."""
    empty = {
        column.name: int((repairs[column.name].isna() | repairs[column.name].eq(column.missing)).sum())
        for column in COLUMNS[REPAIRS]
        if column.type not in (TEXT, CODES)
    }
    return {name: number for name, number in empty.items() if number}


def _median(repairs: pd.DataFrame) -> str:
    if repairs.empty:
        return wording.NOT_REACHED
    ended = repairs["outcome"].ne(CENSORED).to_numpy()
    return f"{wording.months_with_interval(reverse_kaplan_meier(repairs['days'].to_numpy(), ended))} months"
