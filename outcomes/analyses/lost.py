"""What if the lost fared worse: survival at two years between its bounds, and the ratio that would tip it."""

from dataclasses import dataclass
from functools import lru_cache

from outcomes.analyses import context as follow_up
from outcomes.analyses.context import Context
from outcomes.counts import LOST_BEFORE_DAYS
from outcomes.estimators import sensitivity
from outcomes.estimators.sensitivity import Bounds, TippingPoint
from outcomes.published import PublishedFigure, published
from outcomes.survival import Counted, columns_of

# The published share of failures at two to three years that a cohort is held against.
PUBLISHED_CODE = "failure_ow_2021_2_3"
NO_TEST = (
    "The published share had its own definition of failure and its own case mix: it shows where others "
    "stand, it is no test."
)
ASSUMED = (
    "Bounds and ratio are assumptions, not estimates of what became of the lost; the intervals allow for "
    "chance alone, each as if its assumption were true."
)
ENDED_OTHERWISE = (
    "Repairs ended by death, knee replacement or another tear count as censored then, not as lost."
)


@dataclass(frozen=True, slots=True)
class LostResult:
    """Survival `at` two years by what may have become of the lost, and the ratio at which it tips; in days.

    `bounds` and `tipping` are None for fewer than FEWEST_SHOWN repairs. `lost` counts the repairs lost before
    that day though operated on as long ago; `published` is the share of failures that the tipping point asks
    about.
    """

    title: str
    context: Context
    at: int
    lost: int
    published: PublishedFigure
    bounds: Bounds | None
    tipping: TippingPoint | None
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    references: tuple[str, ...]


def lost_result(counted: Counted, context: Context) -> LostResult:
    """Bound survival at two years, and seek the hazard ratio in the lost that changes what is read from it.

    Parameters
    ----------
    counted : the cohort's counts
    context : what is said of the same cohort
    """
    table, claimed = counted.table, _published()
    bounds = tipping = None
    if context.is_shown:
        columns = {**columns_of(table), "lost": table["lost"].to_numpy(), "at": LOST_BEFORE_DAYS}
        bounds = sensitivity.bounds(**columns)
        del columns["cluster"]
        tipping = sensitivity.tipping_point(**columns, threshold=1 - _share(claimed))
    return LostResult(
        title=f"{context.definition.name}: standing at two years, whatever became of the lost",
        context=context,
        at=LOST_BEFORE_DAYS,
        lost=int(table.loc[table["lost"], "n"].sum()),
        published=claimed,
        bounds=bounds,
        tipping=tipping,
        cautions=_cautions(bounds, context),
        methods=(sensitivity.BOUNDS_METHOD, sensitivity.TIPPING_METHOD, follow_up.METHOD),
        references=(sensitivity.BOUNDS_REFERENCE, sensitivity.TIPPING_REFERENCE, follow_up.REFERENCE),
    )


@lru_cache
def _published() -> PublishedFigure:
    return next(figure for figure in published() if figure.code == PUBLISHED_CODE)


def _share(figure: PublishedFigure) -> float:
    if figure.share is None:
        raise ValueError(f"{figure.code}: percent is missing; a tipping point needs one share, so add it.")
    return figure.share


def _cautions(bounds: Bounds | None, context: Context) -> tuple[str, ...]:
    said = (
        ASSUMED,
        NO_TEST,
        *(caution.sentence for caution in (bounds.cautions if bounds else ())),
        ENDED_OTHERWISE if context.ended_otherwise else "",
        *context.cautions,
    )
    return tuple(filter(None, said))
