"""From independent practice on: failure by two years in consecutive blocks of repairs."""

from dataclasses import dataclass
from datetime import date

import pandas as pd

from outcomes.estimators.observations import FloatArray
from outcomes.estimators.rates import Proportion, proportion
from outcomes.own.expected import Expectation
from outcomes.own.two_years import TwoYears

BLOCK = 20
NOT_RECORDED = (
    "The day from which this surgeon practised independently is not recorded, so the blocks run from the "
    "first repair on record, which may not be the first ever. The unit's administrator can enter it."
)


@dataclass(frozen=True, slots=True)
class Block:
    """Consecutive repairs, `first` to `last` by number counted from 1.

    `expected` failures are those of the other surgeons' model, None without one. Only the last
    block can be shorter than BLOCK.
    """

    first: int
    last: int
    operated_from: date
    operated_to: date
    failed: Proportion
    expected: float | None


@dataclass(frozen=True, slots=True)
class Learning:
    """Blocks of repairs with a two-year result in the order of the operations.

    `independent_since` is None where it is not recorded; `before` repairs were done before it.
    """

    independent_since: date | None
    before: int
    blocks: tuple[Block, ...]

    @property
    def n(self) -> int:
        return sum(block.failed.n for block in self.blocks)


def learning(results: TwoYears, independent_since: date | None, expectation: Expectation | None) -> Learning:
    """Cut a surgeon's two-year results into blocks of BLOCK, from independent practice on."""
    table = results.table
    begun = table["operated"] >= pd.Timestamp(independent_since or date.min.replace(year=1900))
    own = table[begun].reset_index(drop=True)
    risks = expectation.risks(own) if expectation else None
    blocks = tuple(_block(own, risks, start) for start in range(0, len(own), BLOCK))
    return Learning(independent_since, int((~begun).sum()), blocks)


def _block(own: pd.DataFrame, risks: FloatArray | None, start: int) -> Block:
    rows = own.iloc[start : start + BLOCK]
    return Block(
        first=start + 1,
        last=start + len(rows),
        operated_from=rows["operated"].iloc[0].date(),
        operated_to=rows["operated"].iloc[-1].date(),
        failed=proportion(int(rows["failed_by"].sum()), len(rows)),
        expected=None if risks is None else float(risks[start : start + BLOCK].sum()),
    )
