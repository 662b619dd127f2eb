"""Whom a surgeon repairs, level by level beside the whole unit; and how often the six indications are met."""

from dataclasses import dataclass

from outcomes.estimators.rates import Proportion, proportion
from outcomes.own.rows import CASE_MIX, Rows
from outcomes.strata import INDICATIONS, Stratum


@dataclass(frozen=True, slots=True)
class Level:
    """One level of a covariate: its share of the surgeon's repairs and of the unit's."""

    covariate: str
    code: str
    label: str
    own: Proportion
    unit: Proportion


def case_mix(own: Rows, unit: Rows) -> tuple[Level, ...]:
    """The shares of every level of CASE_MIX that occurs, of one surgeon and of all together."""
    return tuple(level for stratum in CASE_MIX for level in shares(own, unit, stratum))


def indications(own: Rows, unit: Rows) -> tuple[Level, ...]:
    """How many repairs were within, outside or not assessable by the six prerequisites."""
    return shares(own, unit, INDICATIONS)


def shares(own: Rows, unit: Rows, stratum: Stratum) -> tuple[Level, ...]:
    """The shares of one stratum's levels that occur."""
    mine = own.table[stratum.code].value_counts()
    everyone = unit.table[stratum.code].value_counts()
    return tuple(
        Level(
            covariate=stratum.title,
            code=f"{stratum.code}-{code}",
            label=label,
            own=proportion(int(mine.get(code, 0)), own.n),
            unit=proportion(int(everyone[code]), unit.n),
        )
        for code, label in stratum.levels.items()
        if code in everyone
    )
