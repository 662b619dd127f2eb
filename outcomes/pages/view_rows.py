"""The numbers of the views of Survival at full precision, row by row as their files name them."""

from collections.abc import Iterator

from outcomes.analyses.adjusted import AdjustedResult
from outcomes.analyses.in_print import InPrintResult
from outcomes.analyses.looks import LooksResult
from outcomes.analyses.places import PlacesResult
from outcomes.estimators.regression import Coefficient

Row = tuple[object, ...]

LOOKS = ("after_day", "not_after_day", "share_failing_between")
ADJUSTED = (
    "covariate", "level", "repairs", "failures", "is_reference",
    "hazard_ratio", "lower_95", "upper_95", "log_hazard_ratio", "std_error", "robust_std_error", "p",
    "crude_hazard_ratio", "crude_lower_95", "crude_upper_95", "proportional_hazards_p",
)  # fmt: skip
IN_PRINT = (
    "published_figure", "from_years", "to_years", "failed", "lower", "upper", "range_kind", "n", "n_of",
    "drawn", "own_years", "own_failed", "own_lower_95", "own_upper_95", "own_at_risk", "population",
    "definition", "citation",
)  # fmt: skip
PLACES = (
    "meniscus", "step", "rim_zone", "repairs", "failures", "failed_within_two_years", "of",
    "share", "lower_95", "upper_95",
)  # fmt: skip


def looks_rows(result: LooksResult) -> Iterator[Row]:
    """Where failures lie, and how much of them; the share that never failed has no last day."""
    if result.estimate:
        for (left, right), mass in zip(result.estimate.intervals, result.estimate.mass, strict=True):
            yield (left, right, mass)


def adjusted_rows(result: AdjustedResult) -> Iterator[Row]:
    """A row a level, with its ratio against the reference; none of a level of fewer than may be shown."""
    for covariate in result.covariates:
        for level in covariate.levels:
            proportional = level.proportional_hazards
            yield (
                covariate.code,
                level.label,
                level.n,
                level.events,
                level.is_reference,
                *_ratio(level.adjusted),
                *_more(level.adjusted),
                *_ratio(level.crude),
                proportional.p if proportional else None,
            )


def _ratio(found: Coefficient | None) -> Row:
    return (found.hazard_ratio, found.lower, found.upper) if found else (None,) * 3


def _more(found: Coefficient | None) -> Row:
    return (found.coef, found.std_error, found.robust_std_error, found.p) if found else (None,) * 4


def in_print_rows(result: InPrintResult) -> Iterator[Row]:
    """A row a published figure, with the cohort's own failure read at its years."""
    for one in result.beside:
        figure, own = one.figure, one.own
        read = own if own and own.survival is not None else None
        yield (
            figure.what,
            figure.from_years,
            figure.to_years,
            figure.share,
            figure.lower,
            figure.upper,
            figure.range_kind,
            figure.n,
            figure.n_of,
            bool(one.number),
            one.own_years,
            _less(read.survival if read else None),
            _less(read.upper if read else None),
            _less(read.lower if read else None),
            read.at_risk if read else None,
            figure.population,
            figure.definition,
            figure.citation,
        )


def _less(share: float | None) -> float | None:
    return None if share is None else 1 - share


def places_rows(result: PlacesResult) -> Iterator[Row]:
    """A row a place with repairs; the share only where enough were followed."""
    for place in result.places:
        share = place.by_two_years
        known = (share.estimate, share.lower, share.upper) if place.is_shown else (None,) * 3
        where = (place.meniscus, place.step, place.zone)
        yield (*where, place.n, place.failures, share.x, share.n, *known)
