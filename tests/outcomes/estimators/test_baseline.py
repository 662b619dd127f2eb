"""The hazard behind a Cox model and the failures it expects, against lifelines and the definition."""

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxPHFitter, NelsonAalenFitter

from outcomes.estimators.baseline import breslow, linear_predictor
from outcomes.estimators.regression import cox
from tests.outcomes.estimators.cox_by_hand import Sample, drawn


@pytest.fixture(scope="module")
def sample() -> Sample:
    return drawn(7, late=False, strata=False, rows=80)


@pytest.fixture(scope="module")
def late() -> Sample:
    return drawn(11, late=True, strata=False, rows=80)


def fitted(sample: Sample, **more: object):
    return cox(sample.table(), duration="time", event="failed", covariates=["x", "group"], **more)


def test_baseline_and_prediction_are_those_of_lifelines(sample: Sample) -> None:
    """lifelines' baseline is of a row of mean covariates; ours of log hazard ratio 0."""
    frame = pd.DataFrame(sample.covariates(), columns=["x", "group[q]", "group[r]"])
    precise = {"precision": 1e-12, "r_precision": 1e-14}
    theirs = CoxPHFitter().fit(
        frame.assign(time=sample.time, failed=sample.failed), "time", "failed", fit_options=precise
    )
    fit = fitted(sample)
    predictor = linear_predictor(fit, sample.table())
    hazard = breslow(sample.time, sample.failed, predictor)
    days = list(hazard.time)
    of_rows = theirs.predict_cumulative_hazard(frame, times=days).to_numpy()
    assert np.outer(hazard.cumulative, np.exp(predictor)) == pytest.approx(of_rows, rel=1e-6)
    centre = np.exp(theirs.params_ @ frame.mean())
    base = theirs.baseline_cumulative_hazard_["baseline cumulative hazard"].loc[days].to_numpy()
    assert np.array(hazard.cumulative) * centre == pytest.approx(base, rel=1e-6)
    risks = 1 - theirs.predict_survival_function(frame, times=[6]).to_numpy()[0]
    assert hazard.risk(6, predictor) == pytest.approx(risks, rel=1e-6)


def test_without_covariates_it_is_nelson_and_aalen_with_late_entries_too(late: Sample) -> None:
    hazard = breslow(late.time, late.failed, entry=late.entry)
    theirs = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(late.time, late.failed, entry=late.entry)
    read = theirs.cumulative_hazard_at_times(list(hazard.time)).to_numpy()
    assert hazard.cumulative == pytest.approx(read, rel=1e-9)


def test_late_entries_follow_the_definition_row_by_row(late: Sample) -> None:
    fit = fitted(late, entry="entry")
    predictor = linear_predictor(fit, late.table())
    hazard = breslow(late.time, late.failed, predictor, entry=late.entry)
    gathered, steps = 0.0, []
    for day in sorted({int(day) for day in late.time[late.failed]}):
        at_risk = [row for row in range(80) if late.entry[row] < day <= late.time[row]]
        failing = sum(bool(late.failed[row]) for row in at_risk if late.time[row] == day)
        gathered += failing / sum(float(np.exp(predictor[row])) for row in at_risk)
        steps.append(gathered)
    assert hazard.cumulative == pytest.approx(steps, rel=1e-9)
    assert hazard.at([0, 1, 99])[[0, 2]] == pytest.approx([0.0, steps[-1]])


@pytest.mark.parametrize("name", ["sample", "late"])
def test_of_its_own_rows_it_expects_as_many_failures_as_there_were(
    name: str, request: pytest.FixtureRequest
) -> None:
    """The martingale residuals of a fit sum to 0 [Therneau & Grambsch 2000, ch. 4.5]."""
    rows = request.getfixturevalue(name)
    predictor = linear_predictor(fitted(rows, entry="entry"), rows.table())
    hazard = breslow(rows.time, rows.failed, predictor, entry=rows.entry)
    expected = hazard.expected(rows.time, predictor, rows.entry)
    assert expected.sum() == pytest.approx(rows.failed.sum(), rel=1e-9)
    assert (hazard.n, hazard.events, hazard.last) == (80, int(rows.failed.sum()), float(rows.time.max()))


def test_a_weight_stands_for_so_many_rows(late: Sample) -> None:
    weights = np.arange(80) % 3
    some = breslow(late.time, late.failed, late.x / 2, weights, late.entry)
    chosen = np.repeat(np.arange(80), weights)
    written = breslow(late.time[chosen], late.failed[chosen], late.x[chosen] / 2, entry=late.entry[chosen])
    assert some.time == written.time
    assert some.cumulative == pytest.approx(written.cumulative, rel=1e-12)
    assert (some.n, some.events, some.last) == (written.n, written.events, written.last)


def test_what_it_refuses(sample: Sample) -> None:
    with pytest.raises(ValueError, match="no row that counts"):
        breslow([3], [1], weights=[0])
    with pytest.raises(ValueError, match="predictor has 1 values"):
        breslow([3, 4], [1, 0], [0.0])
    fit = fitted(sample)
    with pytest.raises(ValueError, match=r"group\[1\] is z: it must be a level .* knows \(p, q, r\)"):
        linear_predictor(fit, {"x": [0.0, 1.0], "group": ["q", "z"]})
    with pytest.raises(ValueError, match="column group is not in the table"):
        linear_predictor(fit, {"x": [0.0]})
    assert breslow([3, 4], [0, 0]).at([5]).tolist() == [0.0]
