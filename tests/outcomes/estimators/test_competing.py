"""Cumulative incidence and the log-rank test of one cause, for any data."""

from collections.abc import Sequence
from dataclasses import asdict, replace
from fractions import Fraction
from functools import partial
from math import nan
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.duration.survfunc import CumIncidenceRight

from outcomes.estimators.comparison import log_rank
from outcomes.estimators.competing import (
    CumulativeIncidence,
    cause_specific_log_rank,
    cumulative_incidence,
    cumulative_incidence_by_group,
)
from outcomes.estimators.survival import Interval, kaplan_meier
from tests.outcomes.estimators import exact
from tests.outcomes.estimators.exact import Row, any_row, columns, near

anything = settings(deadline=None, derandomize=True, max_examples=40)


def ended(row: Row) -> Row:
    """Read the group of a drawn row as its cause, 0 for none."""
    return replace(row, failed=row.group != "0")


ROWS = st.lists(any_row(groups="0ab").map(ended), min_size=1, max_size=12)
OF_PATIENTS = st.lists(any_row(groups="0ab", patients="pqr").map(ended), min_size=2, max_size=10)


def incidence(rows: Sequence[Row], *, clustered: bool = False, **options: Any) -> CumulativeIncidence:
    time, cause, n, entry, patient = columns(rows, "time", "group", "n", "entry", "patient")
    return cumulative_incidence(
        time, cause, n, causes=["a", "b"], entry=entry, cluster=patient if clustered else None, **options
    )


def by_hand(rows: Sequence[Row], day: int, cause: str, weights: Sequence[Fraction]) -> Fraction:
    """Share standing before times share of those at risk that the cause ends, summed [Aalen 1978]."""
    standing, total = Fraction(1), Fraction(0)
    for now in sorted({row.time for row in rows if row.time <= day}):
        of = [(row, w) for row, w in zip(rows, weights, strict=True) if row.at_risk(now)]
        at_risk = sum(w for _, w in of)
        total += standing * sum(w for row, w in of if row.time == now and row.group == cause) / at_risk
        standing *= 1 - sum(w for row, w in of if row.time == now and row.failed) / at_risk
    return total


@anything
@given(ROWS)
def test_incidence_and_error_follow_their_definitions(rows: list[Row]) -> None:
    curves = incidence(rows)
    whole = [Fraction(row.n) for row in rows]
    assert curves.n == sum(row.n for row in rows)
    for name, cause in curves.causes.items():
        reads = [partial(by_hand, rows, day, name) for day in curves.time]
        assert near(cause.incidence, [float(read(whole)) for read in reads])
        assert near(cause.std_error, [exact.jackknife_error(rows, read) for read in reads])


@anything
@given(OF_PATIENTS)
def test_error_by_patient_is_the_jackknife_by_patient(rows: list[Row]) -> None:
    curves = incidence(rows, clustered=True)
    assert curves.robust
    assert {name: cause.incidence for name, cause in curves.causes.items()} == {
        name: cause.incidence for name, cause in incidence(rows).causes.items()
    }
    several = (
        len({row.patient for row in rows} - {None}) + sum(row.n for row in rows if row.patient is None) > 1
    )
    for name, cause in curves.causes.items():
        reads = [partial(by_hand, rows, day, name) for day in curves.time]
        errors = [exact.jackknife_error(rows, read) if several else None for read in reads]
        assert near(cause.std_error, errors)


@anything
@given(ROWS)
def test_incidences_and_survival_share_out_the_whole(rows: list[Row]) -> None:
    curves = incidence(rows)
    time, failed, n, entry = columns(rows, "time", "failed", "n", "entry")
    survival = kaplan_meier(time, failed, n, entry=entry, at=()).survival
    total = np.sum([cause.incidence for cause in curves.causes.values()], axis=0) + survival
    assert near(total.tolist(), [1.0] * total.size)
    for cause in curves.causes.values():
        assert all(np.diff(cause.incidence) >= 0)


@anything
@given(ROWS)
def test_without_another_cause_incidence_is_one_less_survival(rows: list[Row]) -> None:
    rows = [replace(row, entry=None) for row in rows if row.group != "b"]
    if rows:
        time, failed, n = columns(rows, "time", "failed", "n")
        curve, cause = kaplan_meier(time, failed, n, at=()), incidence(rows).causes["a"]
        assert near(cause.incidence, [1 - share for share in curve.survival])
        # With nobody left the Kaplan-Meier error is not defined; that of the incidence is 0.
        assert near(cause.std_error, [error or 0.0 for error in curve.std_error])


@anything
@given(st.data(), ROWS)
def test_order_and_splitting_of_rows_are_of_no_account(data: st.DataObject, rows: list[Row]) -> None:
    one_each = [replace(row, n=1) for row in rows for _ in range(row.n)]
    moved, curves = incidence(data.draw(st.permutations(one_each))), incidence(rows)
    assert (moved.n, moved.time, moved.at_risk) == (curves.n, curves.time, curves.at_risk)
    for name, cause in curves.causes.items():
        assert moved.causes[name].incidence == cause.incidence
        assert near(moved.causes[name].std_error, cause.std_error)
        assert near(moved.causes[name].upper, cause.upper)


@anything
@given(OF_PATIENTS)
def test_unit_of_time_and_names_are_of_no_account(rows: list[Row]) -> None:
    time, cause, n, entry, patient = (
        np.array(column) for column in columns(rows, "time", "group", "n", "entry", "patient")
    )
    renamed = np.array([{"a": 2, "b": 1, "0": 0}[name] for name in cause])
    in_years = cumulative_incidence(
        time / 365.25,
        renamed,
        n,
        causes=[1, 2],
        entry=entry / 365.25,
        cluster=[p and f"patient {p}" for p in patient],
    )
    in_days = incidence(rows, clustered=True)
    assert list(in_years.causes) == ["1", "2"]
    for one, other in (("2", "a"), ("1", "b")):
        assert near(in_years.causes[one].incidence, in_days.causes[other].incidence)
        assert near(in_years.causes[one].std_error, in_days.causes[other].std_error)


@anything
@given(ROWS)
def test_statsmodels_agrees_while_someone_is_left(rows: list[Row]) -> None:
    one_each = [replace(row, n=1, entry=None) for row in rows]
    curves = incidence(one_each)
    code = np.array([{"0": 0, "a": 1, "b": 2}[row.group] for row in one_each])
    if code.any():
        with np.errstate(divide="ignore", invalid="ignore"):
            theirs = CumIncidenceRight([row.time for row in one_each], code)
        for place, name in enumerate("ab"[: code.max()]):
            cause = curves.causes[name]
            assert near(cause.incidence, theirs.cinc[place].tolist())
            known = np.isfinite(theirs.cinc_se[place])
            assert np.array(cause.std_error)[known] == pytest.approx(theirs.cinc_se[place][known], abs=1e-7)


@anything
@given(st.lists(any_row(groups="xy"), min_size=1, max_size=15), st.data())
def test_log_rank_of_one_cause_is_mantels_with_the_others_censored(
    rows: list[Row], data: st.DataObject
) -> None:
    causes = data.draw(st.lists(st.sampled_from("0ab"), min_size=len(rows), max_size=len(rows)))
    time, group, n, entry = columns(rows, "time", "group", "n", "entry")
    tests = cause_specific_log_rank(time, causes, group, n, entry=entry)
    assert list(tests) == sorted(set(causes) - {"0"})
    for name, test in tests.items():
        of_cause = [replace(row, failed=own == name) for row, own in zip(rows, causes, strict=True)]
        difference, variance = exact.mantel(of_cause, lambda label: int(label == "x"))
        if test is None:
            assert variance == 0
        else:
            assert test.statistic == pytest.approx(float(difference**2 / variance), rel=1e-9, abs=1e-12)
            assert test.method.startswith(f"For {name}, repairs that another cause ended count as censored")
            alone = log_rank(time, [own == name for own in causes], group, n, entry=entry)
            assert alone is not None
            assert asdict(replace(test, method="", reference="")) == asdict(
                replace(alone, method="", reference="")
            )


def test_groups_list_every_cause_of_the_whole() -> None:
    groups = cumulative_incidence_by_group([1, 2, 3, 4], [1, 0, 2, 0], ["m", "m", "f", "x"], [1, 1, 2, 0])
    assert list(groups) == ["f", "m"]
    assert {name: list(curves.causes) for name, curves in groups.items()} == {
        "f": ["1", "2"],
        "m": ["1", "2"],
    }
    assert groups["f"].causes["1"].incidence == (0.0,)
    assert (groups["f"].n, groups["m"].n) == (2, 2)


def test_reads_a_day() -> None:
    curves = cumulative_incidence([2, 4, 6, 8], ["a", "b", 0, "a"], interval="plain")
    assert curves.at(1).causes == {"a": Interval(0.0, 0.0, 0.0), "b": Interval(0.0, 0.0, 0.0)}
    assert (curves.at(5).at_risk, curves.at(5).causes["b"].estimate) == (2, 0.25)
    assert curves.at(9).causes["a"] == Interval(None, None, None)
    with pytest.raises(ValueError, match="day is -1: it must be 0 or more"):
        curves.at(-1)


@pytest.mark.parametrize(
    ("time", "cause", "expected"),
    [
        pytest.param([5], [1], {"1": ((1.0,), (0.0,))}, id="one row"),
        pytest.param([5, 6], [0, 0], {}, id="all censored"),
        pytest.param(
            [0, 0], [1, 2], {"1": ((0.5,), (0.125**0.5,)), "2": ((0.5,), (0.125**0.5,))}, id="day 0"
        ),
        pytest.param([3, 3, 3], [1, 1, 1], {"1": ((1.0,), (0.0,))}, id="all at once"),
        pytest.param([3.0, 3.0], [1.0, 0.0], {"1": ((0.5,), (0.125**0.5,))}, id="numbers as floats"),
    ],
)
def test_few_rows(time: list[float], cause: list[float], expected: dict[str, Any]) -> None:
    curves = cumulative_incidence(time, cause)
    found = {name: (of.incidence, of.std_error) for name, of in curves.causes.items()}
    assert found == {
        name: (pytest.approx(one), pytest.approx(other)) for name, (one, other) in expected.items()
    }


@pytest.mark.parametrize(
    ("cause", "more", "message"),
    [
        (["a", None], {}, r"cause\[1\] is None: every row needs"),
        ([nan, 1], {}, r"cause\[0\] is nan: every row needs"),
        (["a"], {}, "cause has 1 values, time has 2"),
        (["a", "b"], {"weights": [0, 0]}, "time has no row that counts"),
        (["a", "b"], {"interval": "logit"}, "interval is 'logit': it must be one of log-log, log, plain"),
    ],
)
def test_says_what_is_wrong(cause: list[Any], more: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        cumulative_incidence([1, 2], cause, **more)
