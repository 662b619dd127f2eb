"""A mean over time: the mixed model against other ways to it, and what it says when it finds nothing."""

from math import log, nan, sqrt

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize_scalar

from outcomes.estimators.path import PathOverTime, path_over_time

ITERATED = 1e-6  # relative tolerance of an iterated fit, never wider
Z = 1.959963984540054


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


def test_time_points_go_in_the_order_of_time_and_not_of_the_alphabet() -> None:
    in_time = ["6w", "3m", "12m", "120m"]
    frame = scored(12, 4, 8, 5)
    named = frame.assign(
        time_point=pd.Categorical([in_time[point] for point in frame["time_point"]], in_time, ordered=True)
    )
    numbered, told = path_over_time(frame), path_over_time(named)
    assert [point.time_point for point in told.points] == in_time
    assert [point.estimate for point in told.points] == [point.estimate for point in numbered.points]
    without_one = path_over_time(named[named["time_point"] != "3m"])
    assert [point.time_point for point in without_one.points] == ["6w", "12m", "120m"]


def test_nobody_at_two_time_points_is_said_and_not_refused() -> None:
    found = path_over_time(ONE_EACH)
    assert [(point.time_point, point.n, point.estimate) for point in found.points] == [
        (0, 1, None),
        (6, 1, None),
    ]
    assert [caution.code for caution in found.cautions] == ["nobody_twice"]
    nobody = path_over_time(ONE_EACH[:0])
    assert (nobody.points, nobody.n, [c.code for c in nobody.cautions]) == ((), 0, ["nobody_twice"])


ONE_EACH = pd.DataFrame({"patient": [1, 2], "time_point": [0, 6], "value": [50, 60]})
WRONG: list[tuple[pd.DataFrame, str]] = [
    (ONE_EACH.drop(columns="value"), "frame has no column value"),
    (ONE_EACH.assign(patient=1, time_point=0), "patient 1 has two values at time point 0"),
    (ONE_EACH.assign(time_point=["12m", "120m"]), "time_point is text or unordered, such as 12m"),
    (ONE_EACH.assign(value="high"), r"value\[0\] is high: it must be a finite number"),
]


@pytest.mark.parametrize(("frame", "message"), WRONG)
def test_says_what_is_wrong(frame: pd.DataFrame, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        path_over_time(frame)
