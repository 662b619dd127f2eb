"""Cox regression for any data: against the definitions, and unmoved by what must not matter."""

from dataclasses import asdict, replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import CoxPHFitter

from outcomes.estimators.regression import CoxFit, cox, robust_wald
from tests.outcomes.estimators import cox_by_hand as by_hand
from tests.outcomes.estimators.cox_by_hand import Sample, drawn

some = settings(deadline=None, derandomize=True, max_examples=12)

SAMPLES = st.builds(drawn, st.integers(0, 10_000), late=st.booleans(), strata=st.booleans())
NAMES = {"duration": "time", "event": "failed", "covariates": ["x", "group"]}
COLUMNS = {"entry": "entry", "strata": "stratum", "cluster": "patient"}


def fitted(sample: Sample, **more: Any) -> CoxFit:
    return cox(sample.table(), **NAMES, **COLUMNS, **more)


def values(fit: CoxFit) -> Any:
    return np.array([coefficient.coef for coefficient in fit.coefficients])


def near(value: Any) -> Any:
    return pytest.approx(value, rel=1e-8, abs=1e-9)


def numbers(fit: CoxFit) -> dict[str, Any]:
    """Every number of a fit, by a name of its own."""
    found = {
        f"{row.name} {key}": value
        for row in fit.coefficients
        for key, value in asdict(row).items()
        if key != "name"
    }
    tests = {**fit.proportional_hazards, "robust score": fit.robust_score, "robust Wald": robust_wald(fit)}
    found |= {name: test.statistic for name, test in tests.items()}
    whole = ("n", "events", "clusters", "concordance", "log_likelihood")
    return found | {name: getattr(fit, name) for name in whole}


@some
@given(SAMPLES)
def test_estimate_and_robust_error_follow_their_definitions(sample: Sample) -> None:
    fit = fitted(sample)
    assert [row.name for row in fit.coefficients] == ["x", "group[q]", "group[r]"]
    assert fit.log_likelihood == near(by_hand.log_likelihood(sample, values(fit)))
    residuals = by_hand.score_residuals(sample, values(fit))
    assert residuals.sum(axis=0) == pytest.approx(np.zeros(3), abs=1e-8)
    model = np.linalg.inv(by_hand.information(sample, values(fit)))
    assert [row.std_error for row in fit.coefficients] == near(np.sqrt(np.diag(model)))
    scores = by_hand.by_patient(sample, residuals)
    robust = model @ scores.T @ scores @ model
    assert np.array(fit.covariance) == near(robust)
    assert [row.robust_std_error for row in fit.coefficients] == near(np.sqrt(np.diag(robust)))


@some
@given(SAMPLES)
def test_tests_and_concordance_follow_their_definitions(sample: Sample) -> None:
    fit = fitted(sample)
    single, together = by_hand.proportionality(sample, values(fit))
    tests = [test.statistic for test in fit.proportional_hazards.values()]
    assert tests == near([*single, together])
    assert [test.df for test in fit.proportional_hazards.values()] == [1, 1, 1, 3]
    assert fit.concordance == near(by_hand.concordance(sample, values(fit)))
    scores = by_hand.by_patient(sample, by_hand.score_residuals(sample, np.zeros(3)))
    score = scores.sum(axis=0) @ np.linalg.inv(scores.T @ scores) @ scores.sum(axis=0)
    assert fit.robust_score is not None
    assert (fit.robust_score.statistic, fit.robust_score.df) == (near(score), 3)


@some
@given(SAMPLES)
def test_robust_wald_takes_names_of_coefficients_or_of_covariates(sample: Sample) -> None:
    fit = fitted(sample)
    covariance = np.array(fit.covariance)[1:, 1:]
    by_covariate = robust_wald(fit, ["group"])
    assert by_covariate == robust_wald(fit, ["group[q]", "group[r]"])
    assert by_covariate.statistic == near(values(fit)[1:] @ np.linalg.inv(covariance) @ values(fit)[1:])
    assert robust_wald(fit, ["x"]).statistic == near(fit.coefficients[0].z ** 2)
    assert robust_wald(fit, ["x"]).p == near(fit.coefficients[0].p)


@some
@given(st.data(), SAMPLES)
def test_order_of_rows_is_of_no_account(data: st.DataObject, sample: Sample) -> None:
    order = data.draw(st.permutations(range(sample.time.size)))
    moved = {name: column[order] for name, column in sample.table().items()}
    assert numbers(cox(moved, **NAMES, **COLUMNS)) == near(numbers(fitted(sample)))


@some
@given(SAMPLES)
def test_names_of_patients_and_strata_and_the_unit_of_time_are_of_no_account(sample: Sample) -> None:
    renamed = replace(
        sample,
        patient=np.char.add("patient ", sample.patient.astype(str)),
        stratum=np.where(sample.stratum == "s", "z", "a"),
        time=sample.time / 365.25,
        entry=sample.entry / 365.25,
    )
    fit = fitted(renamed)
    assert numbers(fit) == near(numbers(fitted(sample)))
    assert fit.person_time == near(fitted(sample).person_time / 365.25)


@some
@given(SAMPLES)
def test_units_of_a_covariate_and_names_of_levels_only_rescale(sample: Sample) -> None:
    other = replace(
        sample,
        x=1000 + 10 * sample.x,
        group=np.array([{"p": "1", "q": "2", "r": "3"}[g] for g in sample.group]),
    )
    fit, changed = fitted(sample), fitted(other)
    assert 10 * changed.coefficients[0].coef == near(fit.coefficients[0].coef)
    assert [row.z for row in changed.coefficients] == near([row.z for row in fit.coefficients])
    assert [row.name for row in changed.coefficients] == ["x", "group[2]", "group[3]"]
    assert changed.reference_levels == {"group": "1"}


@some
@given(SAMPLES)
def test_another_reference_level_turns_the_ratio_over(sample: Sample) -> None:
    fit, turned = fitted(sample), fitted(sample, references={"group": "q"})
    assert [row.name for row in turned.coefficients] == ["x", "group[p]", "group[r]"]
    assert turned.coefficients[1].hazard_ratio == near(1 / fit.coefficients[1].hazard_ratio)
    assert turned.coefficients[1].lower == near(1 / fit.coefficients[1].upper)
    assert turned.proportional_hazards["GLOBAL"].statistic == near(
        fit.proportional_hazards["GLOBAL"].statistic
    )


@some
@given(st.data(), SAMPLES)
def test_a_weight_is_that_many_rows_alike(data: st.DataObject, sample: Sample) -> None:
    size = sample.time.size
    weights = np.array(data.draw(st.lists(st.integers(0, 2), min_size=size, max_size=size)))
    weights[:20] = 2
    written_out = {name: np.repeat(column, weights) for name, column in sample.table().items()}
    weighted = cox({**sample.table(), "repairs": weights}, **NAMES, **COLUMNS, weights="repairs")
    assert numbers(weighted) == near(numbers(cox(written_out, **NAMES, **COLUMNS)))


@some
@given(st.integers(0, 10_000))
def test_without_ties_lifelines_has_the_same_robust_error(seed: int) -> None:
    random = np.random.default_rng(seed)
    sample = drawn(seed, late=False, strata=False)
    sample = replace(
        sample, time=random.permutation(sample.time.size) + 1, x=random.normal(size=sample.time.size)
    )
    table = {"time": sample.time, "failed": sample.failed, "x": sample.x, "patient": sample.patient}
    fit = cox(table, duration="time", event="failed", covariates=["x"], cluster="patient")
    with np.errstate(all="ignore"):
        theirs = CoxPHFitter().fit(
            pd.DataFrame(table), "time", "failed", cluster_col="patient", fit_options={"precision": 1e-12}
        )
    assert fit.coefficients[0].robust_std_error == pytest.approx(theirs.standard_errors_.iloc[0], rel=1e-5)
