"""Kaplan-Meier curves against R 4.2.2, survival 3.5-3, and against the published 6-MP table.

Calls, by data set and group (fixtures/reference/reference.R):
    fit <- survfit(Surv(time, status) ~ group, conf.type = "log-log")
    summary(fit, censored = TRUE); quantile(fit, 0.5); summary(fit, times = landmarks)
"""

from collections import Counter
from dataclasses import asdict
from typing import Any

import pytest

from outcomes.estimators.survival import SurvivalCurve, kaplan_meier

CURVES = [
    ("aml", "overall"),
    ("aml", "x=Maintained"),
    ("aml", "x=Nonmaintained"),
    ("veteran", "overall"),
    ("veteran", "celltype=adeno"),
    ("veteran", "celltype=large"),
    ("veteran", "celltype=smallcell"),
    ("veteran", "celltype=squamous"),
    ("veteran", "trt=1"),
    ("veteran", "trt=2"),
    ("freireich_6mp", "overall"),
    ("freireich_6mp", "group=6-MP"),
    ("freireich_6mp", "group=placebo"),
    ("diabetic", "overall"),
    ("diabetic", "trt=0"),
    ("diabetic", "trt=1"),
]


@pytest.fixture(params=CURVES, ids=" ".join)
def r_curve(request: pytest.FixtureRequest, reference: Any) -> tuple[Any, list[float], list[int]]:
    name, selection = request.param
    truth = reference(name)
    return truth.curve(selection), truth.column("time", selection), truth.column("status", selection)


@pytest.fixture
def r(r_curve: Any) -> Any:
    return r_curve[0]


@pytest.fixture(params=["row by row", "counted"])
def curve(request: pytest.FixtureRequest, r_curve: Any) -> SurvivalCurve:
    r, time, status = r_curve
    days = tuple(landmark["day"] for landmark in r["landmarks"])
    if request.param == "row by row":
        return kaplan_meier(time, status, at=days)
    counts = Counter(zip(time, status, strict=True))
    times, failed = zip(*counts, strict=True)
    return kaplan_meier(times, failed, list(counts.values()), at=days)


def test_numbers_at_risk_failing_and_censored(curve: SurvivalCurve, r: Any) -> None:
    assert (curve.n, curve.events) == (r["n"], r["events"])
    assert curve.time == tuple(r["time"])
    assert curve.at_risk == tuple(r["at_risk"])
    assert curve.events_at == tuple(r["events_at"])
    assert curve.censored_at == tuple(r["censored_at"])


def test_survival_and_greenwood_standard_error(curve: SurvivalCurve, r: Any, same: Any) -> None:
    assert curve.survival == same(r["survival"])
    assert curve.std_error == same(r["std_error"])


def test_log_log_interval(curve: SurvivalCurve, r: Any, same: Any) -> None:
    assert curve.lower == same(r["lower"])
    assert curve.upper == same(r["upper"])


def test_median_with_interval(curve: SurvivalCurve, r: Any, same: Any) -> None:
    assert asdict(curve.median) == same(r["median"])


def test_landmarks(curve: SurvivalCurve, r: Any, same: Any) -> None:
    assert tuple(asdict(landmark) for landmark in curve.landmarks) == same(r["landmarks"])


def test_published_table_of_6_mp(reference: Any) -> None:
    # Freireich et al. 1963, as tabulated in Kleinbaum & Klein and in Cox & Oakes: survival at each week.
    truth = reference("freireich_6mp")
    published = truth.published
    curve = kaplan_meier(
        truth.column("time", published["selection"]), truth.column("status", published["selection"])
    )
    assert published["time"] == [6, 7, 10, 13, 16, 22, 23]
    assert published["survival"] == [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]
    assert [round(curve.at(week).survival or 0, 3) for week in published["time"]] == published["survival"]
