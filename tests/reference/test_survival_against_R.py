"""Kaplan-Meier curves against R 4.2.2, survival 3.5-3, and against the published 6-MP table.

Calls, by data set and group (fixtures/reference/reference.R):
    fit <- survfit(Surv(time, status) ~ group, conf.type = "log-log"), and "plain", "log"
    summary(fit, censored = TRUE); quantile(fit, 0.5); summary(fit, times = landmarks)
    survfit(Surv(time, status) ~ trt, cluster = id, robust = TRUE, conf.type = "log-log")
    survfit(Surv(age, age + time / 12, status) ~ 1, subset = time > 0 & age >= 60, conf.type = "log-log")
"""

from bisect import bisect_right
from collections import Counter
from dataclasses import asdict
from typing import Any

import pytest

from outcomes.estimators.survival import IntervalScale, SurvivalCurve, kaplan_meier
from tests.reference.selections import CURVES

COLUMNS = ("n", "events", "time", "at_risk", "events_at", "censored_at", "survival", "std_error")


def row_by_row(truth: Any, selection: str, scale: IntervalScale) -> SurvivalCurve:
    days = tuple(landmark["day"] for landmark in truth.curve(selection)["landmarks"])
    time, status = truth.column("time", selection), truth.column("status", selection)
    return kaplan_meier(time, status, at=days, interval=scale)


def counted(truth: Any, selection: str, scale: IntervalScale) -> SurvivalCurve:
    days = tuple(landmark["day"] for landmark in truth.curve(selection)["landmarks"])
    counts = Counter(zip(truth.column("time", selection), truth.column("status", selection), strict=True))
    time, status = zip(*counts, strict=True)
    return kaplan_meier(time, status, list(counts.values()), at=days, interval=scale)


@pytest.mark.parametrize("curve_of", [row_by_row, counted])
@pytest.mark.parametrize(("name", "selection"), CURVES)
def test_curve(reference: Any, compare: Any, name: str, selection: str, curve_of: Any) -> None:
    truth = reference(name)
    r, curve = truth.curve(selection), curve_of(truth, selection, "log-log")
    compare("Kaplan-Meier", name, "curve", *({c: of[c] for c in COLUMNS} for of in (asdict(curve), r)))
    limits = ("lower", "upper", "median")
    compare(
        "Kaplan-Meier, log-log interval",
        name,
        "limits",
        *([of[c] for c in limits] for of in (asdict(curve), r)),
    )
    compare(
        "Kaplan-Meier", name, "landmarks", [asdict(landmark) for landmark in curve.landmarks], r["landmarks"]
    )


@pytest.mark.parametrize("scale", ["plain", "log"])
@pytest.mark.parametrize(("name", "selection"), CURVES)
def test_other_intervals(
    reference: Any, compare: Any, name: str, selection: str, scale: IntervalScale
) -> None:
    truth = reference(name)
    r, curve = truth.curve(selection)["intervals"][scale], asdict(row_by_row(truth, selection, scale))
    limits = ("lower", "upper", "median")
    compare(
        f"Kaplan-Meier, {scale} interval", name, "limits", *([of[c] for c in limits] for of in (curve, r))
    )


@pytest.mark.parametrize("selection", ["overall", "trt=0", "trt=1"])
def test_patient_as_cluster(reference: Any, compare: Any, selection: str) -> None:
    truth = reference("diabetic")
    time, status, patient = (truth.column(name, selection) for name in ("time", "status", "id"))
    r = truth.curve(selection)["clustered"]
    curve = kaplan_meier(time, status, cluster=patient, at=[landmark["day"] for landmark in r])
    found = [
        {**asdict(landmark), "std_error": curve.std_error[bisect_right(curve.time, landmark.day) - 1]}
        for landmark in curve.landmarks
    ]
    compare("Kaplan-Meier, patient as cluster", "diabetic", "landmarks", *_common(found, r))


def test_one_eye_a_patient_makes_the_clustered_error_greenwoods(reference: Any, compare: Any) -> None:
    # Within one treatment of diabetic each patient has one eye.
    truth = reference("diabetic")
    time, status, patient = (truth.column(name, "trt=0") for name in ("time", "status", "id"))
    found = kaplan_meier(time, status, cluster=patient).std_error
    compare(
        "Kaplan-Meier, patient as cluster", "diabetic", "Greenwood", found, truth.curve("trt=0")["std_error"]
    )


def test_delayed_entry(reference: Any, compare: Any) -> None:
    truth = reference("mgus2")
    rows = [
        (age, age + months / 12, died)
        for age, months, died in zip(*(truth.data[name] for name in ("age", "time", "status")), strict=True)
        if months > 0 and age >= 60
    ]
    entry, time, died = zip(*rows, strict=True)
    r = truth.expected["delayed_entry"]
    curve = kaplan_meier(time, died, entry=entry, at=[landmark["day"] for landmark in r["landmarks"]])
    found = [
        {**asdict(landmark), "std_error": curve.std_error[bisect_right(curve.time, landmark.day) - 1]}
        for landmark in curve.landmarks
    ]
    compare("Kaplan-Meier, delayed entry", "mgus2", "n", curve.n, r["n"])
    compare("Kaplan-Meier, delayed entry", "mgus2", "landmarks", *_common(found, r["landmarks"]))


def _common(found: list[dict[str, Any]], expected: list[dict[str, Any]]) -> tuple[Any, Any]:
    """What the truth tells of each landmark, beside the truth."""
    return [
        {key: ours[key] for key in theirs} for ours, theirs in zip(found, expected, strict=True)
    ], expected


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
