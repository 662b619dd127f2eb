"""Change, thresholds and paths: what must hold for any scores; the mixed model against other ways to it."""

from collections.abc import Callable
from math import log, nan, sqrt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import minimize_scalar

from outcomes.estimators.change import (
    PathOverTime,
    paired_change,
    path_over_time,
    share_improved,
    share_reaching,
)
from outcomes.estimators.rates import proportion

anything = settings(deadline=None, derandomize=True, max_examples=60)
ITERATED = 1e-6  # relative tolerance of an iterated fit, never wider
Z = 1.959963984540054

SCORE = st.integers(0, 100)
PAIRS = st.lists(st.tuples(SCORE, SCORE), min_size=2, max_size=20)


@anything
@given(PAIRS)
def test_mean_change_with_its_paired_t_interval(pairs: list[tuple[int, int]]) -> None:
    before, after = np.array(pairs, dtype=float).T
    found = paired_change(before, after)
    assert found.estimate == pytest.approx(np.mean(after - before))
    if np.std(after - before) > 0:
        limits = stats.ttest_rel(after, before).confidence_interval(0.95)
        assert (found.lower, found.upper) == pytest.approx((limits.low, limits.high), rel=1e-9, abs=1e-9)
    else:
        assert found.lower == found.upper == found.estimate


@anything
@given(PAIRS, st.data())
def test_order_of_patients_and_direction_of_the_score(
    pairs: list[tuple[int, int]], data: st.DataObject
) -> None:
    again = data.draw(st.permutations(pairs))
    one, other = (paired_change(*np.array(rows).T) for rows in (pairs, again))
    assert other.estimate == pytest.approx(one.estimate, abs=1e-9)
    turned = paired_change(*(100 - np.array(pairs)).T, best=0, lower_is_better=True)
    upright = paired_change(*np.array(pairs).T, best=100)
    assert (turned.estimate, turned.at_best) == (pytest.approx(upright.estimate), upright.at_best)


def test_half_answered_pairs_are_left_out_and_counted() -> None:
    found = paired_change([50, None, 70, 60], [60, 80, nan, 90])
    assert (found.n, found.left_out, found.estimate) == (2, 2, 20)
    assert paired_change([None], [3]).estimate is None
    assert (paired_change([1], [3]).estimate, paired_change([1], [3]).lower) == (2, None)


def test_those_who_began_at_the_best_score_are_counted_apart() -> None:
    found = paired_change([100, 100, 40, 50], [100, 90, 60, 80], best=100)
    assert found.at_best == 2
    assert [caution.code for caution in found.cautions] == ["ceiling"]


@anything
@given(st.lists(SCORE, max_size=30), SCORE, st.sampled_from([">", ">="]))
def test_share_reaching_is_counted_by_the_operator(scores: list[int], threshold: int, operator: str) -> None:
    reached = [score for score in scores if score > threshold or (operator == ">=" and score == threshold)]
    assert share_reaching(scores, threshold, operator).reached == proportion(len(reached), len(scores))


def test_pass_is_read_with_its_operator_on_unrounded_scores() -> None:
    # KOOS Pain, printed cut 80.6 for the lattice score 80.5556, "greater than": Arthroscopy 2021;37:3479-86.
    scores = [80.5556, 80.6, 83.3333]
    assert share_reaching(scores, 80.6, ">").reached.x == 1
    assert share_reaching(scores, 80.6, ">=").reached.x == 2


def test_mcid_leaves_aside_who_had_no_room_for_it() -> None:
    # IKDC 10.9 after meniscal repair (same source); error in one person 14.6: PMID 24618098.
    before, after = [40, 60, 89.2, 100, 50], [60, 65, 100, 100, None]
    found = share_improved(before, after, 10.9, ">=", best=100, measurement_error=14.6)
    assert (found.reached.x, found.reached.n, found.out_of_reach, found.left_out) == (1, 2, 2, 1)
    codes = [caution.code for caution in found.cautions]
    assert codes == ["below_measurement_error", "ceiling", "out_of_reach", "counts_only"]


def scored(patients: int, points: int, between: float, within: float, missing: float = 0.0) -> pd.DataFrame:
    random = np.random.default_rng(7)
    level = random.normal(60, between, (patients, 1)) + 5 * np.arange(points)
    values = level + random.normal(0, within, level.shape)
    values[random.random(values.shape) < missing] = nan
    wide = pd.DataFrame(values).rename_axis("patient").reset_index()
    return wide.melt("patient", var_name="time_point", value_name="value")


def means_and_errors(path: PathOverTime) -> tuple[list[float], list[float]]:
    rows = [(point.estimate, point.upper) for point in path.points]
    return [mean for mean, _ in rows if mean], [(upper - mean) / Z for mean, upper in rows if mean and upper]


@pytest.mark.parametrize(
    ("patients", "points", "between", "within"), [(20, 4, 8, 5), (8, 2, 5, 5), (30, 3, 1, 9)]
)
def test_path_on_complete_data_is_the_analysis_of_variance(
    patients: int, points: int, between: float, within: float
) -> None:
    frame = scored(patients, points, between, within)
    wide = frame.pivot(index="patient", columns="time_point", values="value").to_numpy()
    residual = wide - wide.mean(axis=1, keepdims=True) - wide.mean(axis=0) + wide.mean()
    error = (residual**2).sum() / ((patients - 1) * (points - 1))
    patient = points * wide.mean(axis=1).var(ddof=1)
    std_error = sqrt((patient + (points - 1) * error) / (patients * points))
    means, errors = means_and_errors(path_over_time(frame))
    assert means == pytest.approx(wide.mean(axis=0).tolist(), rel=ITERATED)
    assert errors == pytest.approx([std_error] * points, rel=ITERATED)


@pytest.mark.parametrize("missing", [0.1, 0.4])
def test_path_with_gaps_is_the_restricted_maximum_likelihood(missing: float) -> None:
    frame = scored(25, 4, 8, 5, missing)
    means, errors = means_and_errors(path_over_time(frame))
    expected_means, expected_errors = restricted_maximum_likelihood(frame.dropna())
    assert means == pytest.approx(expected_means, rel=ITERATED)
    assert errors == pytest.approx(expected_errors, rel=ITERATED)


def restricted_maximum_likelihood(frame: pd.DataFrame) -> tuple[list[float], list[float]]:
    """The model by its full covariance matrix [Patterson HD, Thompson R. Biometrika 1971;58:545-54]."""
    x = pd.get_dummies(frame["time_point"]).to_numpy(float)
    y = frame["value"].to_numpy()
    same = np.equal.outer(frame["patient"].to_numpy(), frame["patient"].to_numpy()).astype(float)
    rows, columns = x.shape

    def solved(log_ratio: float) -> tuple[np.ndarray, np.ndarray, float, float]:
        covariance = np.eye(rows) + np.exp(log_ratio) * same
        information = x.T @ np.linalg.solve(covariance, x)
        means = np.linalg.solve(information, x.T @ np.linalg.solve(covariance, y))
        scale = (y - x @ means) @ np.linalg.solve(covariance, y - x @ means) / (rows - columns)
        determinants = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(information)[1]
        return means, information, scale, (rows - columns) * log(scale) + determinants

    best = minimize_scalar(lambda log_ratio: solved(log_ratio)[3], bounds=(-6, 6), options={"xatol": 1e-10}).x
    means, information, scale, _ = solved(best)
    return means.tolist(), np.sqrt(scale * np.diag(np.linalg.inv(information))).tolist()


def test_path_says_when_patients_are_alike_or_no_answer_was_found() -> None:
    assert [c.code for c in path_over_time(scored(30, 3, 0, 9)).cautions] in ([], ["patients_alike"])
    opposite = pd.DataFrame(
        {"patient": [1, 1, 2, 2, 3, 3], "time_point": [0, 6] * 3, "value": [1, 9, 9, 1, 5, 6]}
    )
    assert [c.code for c in path_over_time(opposite).cautions] == ["patients_alike"]
    parallel = pd.DataFrame(
        {"patient": [1, 1, 2, 2, 3, 3], "time_point": [0, 6] * 3, "value": [1, 3, 5, 7, 6, 8]}
    )
    found = path_over_time(parallel)
    assert [c.code for c in found.cautions] == ["not_converged"]
    assert [(point.n, point.estimate) for point in found.points] == [(3, None), (3, None)]


ONE_EACH = pd.DataFrame({"patient": [1, 2], "time_point": [0, 6], "value": [50, 60]})
WRONG: list[tuple[Callable[[], object], str]] = [
    (lambda: paired_change([1, 2], [1]), "after has 1 values, before has 2"),
    (lambda: paired_change(["high"], [1]), r"before\[0\] is high: it must be a finite number"),
    (lambda: share_reaching([1], nan, ">"), "threshold is nan"),
    (lambda: share_reaching([1], 1, "<"), "operator is <: it must be one of >=, >"),  # type: ignore[arg-type]
    (lambda: path_over_time(ONE_EACH.drop(columns="value")), "frame has no column value"),
    (lambda: path_over_time(ONE_EACH), "value is there at most once a patient"),
    (
        lambda: path_over_time(ONE_EACH.assign(patient=1, time_point=0)),
        "patient 1 has two values at time point 0",
    ),
]


@pytest.mark.parametrize(("call", "message"), WRONG)
def test_says_what_is_wrong(call: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()
