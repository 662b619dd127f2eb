"""Kaplan-Meier error with the patient as cluster: the infinitesimal jackknife, whatever the data."""

from dataclasses import replace
from fractions import Fraction
from functools import partial
from math import sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.survival import SurvivalCurve, kaplan_meier
from tests.outcomes.estimators import exact
from tests.outcomes.estimators.exact import Row, any_row, columns, near

anything = settings(deadline=None, derandomize=True, max_examples=60)

ROWS = st.lists(any_row(patients="pqr"), min_size=2, max_size=10)


def clustered(rows: list[Row], **options: Any) -> SurvivalCurve:
    time, failed, n, entry, patient = columns(rows, "time", "failed", "n", "entry", "patient")
    return kaplan_meier(time, failed, n, at=(), entry=entry, cluster=patient, **options)


def alike(one: SurvivalCurve, other: SurvivalCurve) -> bool:
    same = ("n", "events", "time", "at_risk", "survival")
    return all(getattr(one, name) == getattr(other, name) for name in same) and all(
        near(getattr(one, name), getattr(other, name)) for name in ("std_error", "lower", "upper")
    )


def patients_in(rows: list[Row]) -> int:
    labels = {row.patient for row in rows if row.patient is not None}
    return len(labels) + sum(row.n for row in rows if row.patient is None)


def standing(rows: list[Row], day: int, weights: list[Fraction]) -> Fraction:
    return exact.survival(rows, weights)[day]


@anything
@given(ROWS)
def test_is_the_sum_over_patients_of_squared_derivatives(rows: list[Row]) -> None:
    curve = clustered(rows)
    assert curve.robust
    expected = [exact.jackknife_error(rows, partial(standing, rows, day)) for day in curve.time]
    defined = [survival > 0 and patients_in(rows) > 1 for survival in curve.survival]
    assert near(
        curve.std_error, [error if holds else None for error, holds in zip(expected, defined, strict=True)]
    )


@anything
@given(st.lists(any_row(late=False), min_size=2, max_size=20))
def test_one_repair_a_patient_is_greenwood(rows: list[Row]) -> None:
    # With late entries it is not: pasts then differ among those at risk.
    singles = [replace(row, n=1, patient=str(place)) for place, row in enumerate(rows)]
    time, failed = columns(singles, "time", "failed")
    assert alike(clustered(singles), kaplan_meier(time, failed, at=()))


@anything
@given(ROWS)
def test_a_row_without_label_is_as_many_patients_as_its_weight(rows: list[Row]) -> None:
    told_apart = [
        replace(row, n=1, patient=f"{place}.{one}") if row.patient is None else replace(row, n=1)
        for place, row in enumerate(rows)
        for one in range(row.n)
    ]
    assert alike(clustered(rows), clustered(told_apart))


@anything
@given(st.data(), ROWS)
def test_order_of_rows_and_names_of_patients_are_of_no_account(data: st.DataObject, rows: list[Row]) -> None:
    names = {None: None, "p": "z", "q": "1", "r": "q"}
    renamed = [replace(row, patient=names[row.patient]) for row in data.draw(st.permutations(rows))]
    assert alike(clustered(rows), clustered(renamed))


@anything
@given(ROWS)
def test_a_repair_counted_twice_in_its_patient_adds_no_certainty(rows: list[Row]) -> None:
    singles = [replace(row, patient=str(place)) for place, row in enumerate(rows)]
    twice = clustered([*singles, *singles])
    assert near(twice.std_error, clustered(singles).std_error)


@pytest.mark.parametrize("scale", ["log-log", "log", "plain"])
def test_limits_and_median_follow_the_error(scale: Any) -> None:
    rows = [Row(day, True, 1, None, str(day % 10)) for day in range(1, 41)]
    by_patient = clustered(rows, interval=scale)
    by_repair = kaplan_meier(range(1, 41), [True] * 40, at=(), interval=scale)
    assert by_patient.survival == by_repair.survival
    assert by_patient.lower != by_repair.lower
    assert by_patient.median.estimate == by_repair.median.estimate
    assert "patient as cluster" in by_patient.method
    assert "Greenwood standard" not in by_patient.method


def test_one_patient_alone_shows_no_spread_between_patients() -> None:
    curve = kaplan_meier([1, 2, 3], [1, 0, 1], cluster=["p", "p", "p"], at=())
    assert set(curve.std_error) == {None}
    assert {*curve.lower, *curve.upper} == {None}


@pytest.mark.parametrize("missing", [None, float("nan")])
def test_a_missing_label_is_a_patient_alone(missing: float | None) -> None:
    time, failed = [1, 2, 3, 4], [1, 1, 0, 1]
    curve = kaplan_meier(time, failed, cluster=[missing] * 4, at=())
    assert near(curve.std_error, kaplan_meier(time, failed, at=()).std_error)


def test_labels_must_be_one_a_row() -> None:
    with pytest.raises(ValueError, match="cluster has 1 values, time has 2: give one of each for every row"):
        kaplan_meier([1, 2], [1, 1], cluster=["p"])


def test_fifty_thousand_patients_with_two_repairs_alike() -> None:
    rng = np.random.default_rng(1)
    time, failed, patient = rng.integers(1, 3000, 50_000), rng.random(50_000) < 0.3, np.arange(50_000)
    twice = kaplan_meier(np.tile(time, 2), np.tile(failed, 2), cluster=np.tile(patient, 2))
    once, doubled = kaplan_meier(time, failed), kaplan_meier(np.tile(time, 2), np.tile(failed, 2))
    assert twice.survival == doubled.survival
    assert near(twice.std_error, once.std_error)
    assert near([error and error / sqrt(2) for error in once.std_error], doubled.std_error)
