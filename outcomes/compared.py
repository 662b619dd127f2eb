"""Two cohorts side by side: how their curves and means differ, and how sure that is."""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt

import pandas as pd

from outcomes import wording
from outcomes.estimators import comparison
from outcomes.estimators.comparison import LogRank, log_rank
from outcomes.estimators.normal import Z_95
from outcomes.estimators.restricted_mean import (
    METHOD_DIFFERENCE,
    RestrictedMean,
    RestrictedMeanDifference,
    restricted_mean,
    restricted_mean_difference,
)
from outcomes.estimators.restricted_mean import REFERENCE as MEANS_REFERENCE
from outcomes.estimators.survival import LANDMARK_DAYS, SurvivalCurve
from outcomes.results import Group
from outcomes.survival import columns_of

FORMULA = "S_1 - S_2 +/- z sqrt(se_1 ^ 2 + se_2 ^ 2), z = 1.96, cut off at -1 and 1."
METHOD = (
    "Difference of two survivals on the same day, the first less the second, cohorts independent of each "
    "other, 95 % normal interval from the standard errors of both curves."
)
# From memory.
REFERENCE = (
    "Klein JP, Logan B, Harhoff M, Andersen PK. Stat Med 2007;26:4505-19 (survival compared at a fixed time)."
)
OVERLAPPING = (
    "{repairs} in both cohorts, which are then not independent: neither a test nor an interval of the "
    "difference is given."
)
TWO_DEFINITIONS = "The cohorts are read by different definitions of failure, so no difference is given."
TOO_SMALL = "One cohort is too small for a curve, so no difference is given."
SHARED_PATIENTS = (
    "{patients} a repair in each cohort; test and intervals of the difference take the cohorts as "
    "independent."
)


@dataclass(frozen=True, slots=True)
class LandmarkDifference:
    """One survival less another on one day; `estimate` is None past the end of either curve.

    Error and limits are None too where either survival is 0 or still 1: its own error then says nothing.
    """

    day: int
    estimate: float | None
    std_error: float | None
    lower: float | None
    upper: float | None


@dataclass(frozen=True, slots=True)
class Compared:
    """Two cohorts and their differences, the first less the second.

    `in_both` repairs belong to both. Where that or something else forbids it, `not_compared` says why, and
    there are no differences; `test` and `means` may lack by themselves where there is nothing to test.
    """

    first: Group
    second: Group
    in_both: int
    not_compared: str
    differences: tuple[LandmarkDifference, ...]
    means: RestrictedMeanDifference | None
    test: LogRank | None
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    references: tuple[str, ...]


def landmark_differences(first: SurvivalCurve, second: SurvivalCurve) -> tuple[LandmarkDifference, ...]:
    """Take the second curve from the first at each of the landmark years.

    Parameters
    ----------
    first, second : curves of independent samples, with days as unit of time

    Notes
    -----
    S1 - S2, with variance SE1^2 + SE2^2 and limits evenly about it [Klein et al. 2007, their untransformed
    statistic]; the errors are Greenwood's or, of clustered curves, robust. Limits are cut off at -1 and 1.
    """
    return tuple(_difference(first, second, day) for day in LANDMARK_DAYS.values())


def _difference(first: SurvivalCurve, second: SurvivalCurve, day: int) -> LandmarkDifference:
    ours, theirs = first.at(day).survival, second.at(day).survival
    if ours is None or theirs is None:
        return LandmarkDifference(day, None, None, None, None)
    estimate = ours - theirs
    errors = _error_at(first, day), _error_at(second, day)
    if not all(errors):
        return LandmarkDifference(day, estimate, None, None, None)
    std_error = sqrt(sum(error**2 for error in errors if error))
    reach = Z_95 * std_error
    return LandmarkDifference(
        day, estimate, std_error, max(estimate - reach, -1.0), min(estimate + reach, 1.0)
    )


def _error_at(curve: SurvivalCurve, day: float) -> float | None:
    """The standard error of the last step by a day; none before the first failure."""
    step = bisect_right(curve.time, day) - 1
    return curve.std_error[step] if step >= 0 else None


def compared(
    first: tuple[Group, pd.DataFrame],
    second: tuple[Group, pd.DataFrame],
    *,
    in_both: int,
    patients_in_both: int,
    same_definition: bool,
) -> Compared:
    """Compare two cohorts, given as their curve and their count table.

    Parameters
    ----------
    in_both : repairs that belong to both
    patients_in_both : patients with a repair in each
    same_definition : whether failure means the same in both
    """
    ours, theirs = first[0], second[0]
    reason = _not_compared(ours, theirs, in_both, same_definition=same_definition)
    if reason:
        said = _methods(ours, theirs), _sources(ours, theirs)
        return Compared(ours, theirs, in_both, reason, (), None, None, (), *said)
    test, means = _test(first[1], second[1]), _means(first[1], second[1])
    difference = restricted_mean_difference(*means) if means else None
    return Compared(
        first=ours,
        second=theirs,
        in_both=in_both,
        not_compared="",
        differences=landmark_differences(ours.curve, theirs.curve),
        means=difference,
        test=test,
        cautions=tuple(_cautions((ours, theirs), test, means, patients_in_both)),
        methods=(*_methods(ours, theirs), METHOD, comparison.METHOD, METHOD_DIFFERENCE),
        references=(*_sources(ours, theirs), REFERENCE, comparison.REFERENCE, MEANS_REFERENCE),
    )


def _not_compared(first: Group, second: Group, in_both: int, *, same_definition: bool) -> str:
    if not same_definition:
        return TWO_DEFINITIONS
    if in_both:
        are = "is" if in_both == 1 else "are"
        return OVERLAPPING.format(repairs=f"{wording.counted(in_both, 'repair')} {are}")
    return "" if first.is_shown and second.is_shown else TOO_SMALL


def _test(first: pd.DataFrame, second: pd.DataFrame) -> LogRank | None:
    both = pd.concat([first.assign(cohort="first"), second.assign(cohort="second")], ignore_index=True)
    columns = columns_of(both)
    del columns["cluster"]
    return log_rank(group=both["cohort"].to_numpy(), **columns)


def _means(first: pd.DataFrame, second: pd.DataFrame) -> tuple[RestrictedMean, RestrictedMean] | None:
    """Up to the smaller of the last times: past it nothing is known of one of them."""
    tau = float(min(first["day"].max(), second["day"].max()))
    if tau <= 0:
        return None
    return restricted_mean(**columns_of(first), tau=tau), restricted_mean(**columns_of(second), tau=tau)


def _methods(first: Group, second: Group) -> tuple[str, ...]:
    return tuple(dict.fromkeys((first.curve.method, second.curve.method)))


def _sources(first: Group, second: Group) -> tuple[str, ...]:
    """The longer says all that the other says: it adds the sources of clusters and late entries."""
    return (max(first.curve.reference, second.curve.reference, key=len),)


def _cautions(
    groups: tuple[Group, Group],
    test: LogRank | None,
    means: tuple[RestrictedMean, RestrictedMean] | None,
    patients_in_both: int,
) -> Iterator[str]:
    if comparison.crossing(groups[0].curve, groups[1].curve):
        yield "The two curves cross, so one number for their difference misleads."
    if patients_in_both:
        have = "has" if patients_in_both == 1 else "have"
        yield SHARED_PATIENTS.format(patients=f"{wording.counted(patients_in_both, 'patient')} {have}")
    yield from (caution.sentence for caution in (test.cautions if test else ()))
    for group, mean in zip(groups, means or (), strict=False):
        yield from (f"Mean time, {group.label}: {caution.sentence}" for caution in mean.cautions)
    yield "The cohorts differ in more than their filters: a difference is no effect of any of them."
