"""What is expected of a surgeon comes from the others alone, and is what lifelines expects."""

from typing import Any

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxPHFitter, NelsonAalenFitter

from outcomes.own.expected import NO_MODEL, expectation
from outcomes.own.rows import Rows
from tests.outcomes.own.invented import a_row, rows


def drawn(n: int, seed: int, surgeon: int = 2, **known: Any) -> list[dict[str, Any]]:
    random = np.random.default_rng(seed)
    return [
        a_row(
            int(random.integers(30, 2000)),
            "failed" if random.random() < 0.4 else "censored",
            zone=str(random.choice(["RR", "RW"])),
            meniscus=str(random.choice(["medial", "lateral"])),
            surgeon=surgeon,
            **known,
        )
        for _ in range(n)
    ]


@pytest.fixture(scope="module")
def unit() -> Rows:
    return rows([*drawn(20, 1, surgeon=1), *drawn(60, 2), *drawn(60, 3, surgeon=3)])


def test_observed_and_expected_are_those_of_lifelines(unit: Rows) -> None:
    own, others = unit.of_surgeon(1), unit.of_others(1)
    model = expectation(others, own)
    assert model is not None
    assert [stratum.code for stratum in model.used] == ["zone", "meniscus"]

    def covariates(table: pd.DataFrame) -> pd.DataFrame:
        return pd.DataFrame(
            {"zone": table["zone"] == "RW", "meniscus": table["meniscus"] == "lateral"}
        ).astype(float)

    precise = {"precision": 1e-12, "r_precision": 1e-14}
    frame = covariates(others.table).assign(time=others.table["day"], failed=others.table["failed"])
    theirs = CoxPHFitter().fit(frame, "time", "failed", fit_options=precise)
    # lifelines draws straight lines between the steps of its baseline; read it as the steps it has.
    base = theirs.baseline_cumulative_hazard_["baseline cumulative hazard"].sort_index()
    ratios = theirs.predict_partial_hazard(covariates(own.table)).to_numpy()
    days = np.minimum(own.table["day"], others.table["day"].max())
    ratio = model.observed(own.table)
    assert ratio.expected == pytest.approx(float((base.asof(days).to_numpy() * ratios).sum()), rel=1e-6)
    assert ratio.observed == own.events
    assert model.risks(own.table) == pytest.approx(1 - np.exp(-base.asof(730) * ratios), rel=1e-6)


def test_own_results_do_not_enter_what_is_expected(unit: Rows) -> None:
    turned = unit.table.assign(failed=np.where(unit.table["surgeon"] == 1, True, unit.table["failed"]))
    other = Rows(turned, unit.cohort_sentence, unit.definition, unit.closed_on, 0)
    before, after = (expectation(each.of_others(1), each.of_surgeon(1)) for each in (unit, other))
    assert before is not None
    assert after is not None
    assert before.hazard == after.hazard
    assert after.observed(other.of_surgeon(1).table).observed == 20


def test_covariates_are_given_up_from_the_end_until_five_failures_stand_behind_each() -> None:
    """Ten failures allow two coefficients: zone, and not acuity's two levels beside it."""
    failing = [
        a_row(100 + number, "failed", zone="RR" if number % 2 else "RW", meniscus="lateral", surgeon=2)
        for number in range(10)
    ]
    standing = [
        a_row(900 + number, zone="RR" if number % 3 else "RW", surgeon=2, acuity=acuity)
        for number in range(20)
        for acuity in ("acute", "chronic")
    ]
    model = expectation(rows([*failing, *standing]), rows([a_row(500)]))
    assert model is not None
    assert [stratum.code for stratum in model.used] == ["zone"]
    assert "Left out for want of failures: acuity, concomitant ligament surgery" in model.sentence


def test_a_level_with_few_failures_or_unknown_to_the_others_goes_with_the_most_frequent() -> None:
    others = rows([*drawn(60, 4), a_row(400, "failed", zone="WW", surgeon=2)])
    own = rows([a_row(500, zone="WW"), a_row(500, zone="unknown"), a_row(500, zone="RR")])
    model = expectation(others, own)
    assert model is not None
    main = others.table["zone"].mode()[0]
    assert model.joined["zone"] == {"WW": main, "unknown": main}
    assert "white-white, not recorded with" in model.sentence
    assert len(model.risks(own.table)) == 3


def test_with_few_failures_time_alone_counts_and_with_fewer_nothing_does() -> None:
    """Expected by time alone is Nelson and Aalen's estimate, read by lifelines."""
    failing = [a_row(100 * number, "failed", zone="RR", surgeon=2) for number in range(1, 6)]
    standing = [a_row(700 + number, zone="RW", surgeon=2) for number in range(30)]
    others, own = rows([*failing, *standing]), rows([a_row(350), a_row(2000, "failed")])
    model = expectation(others, own)
    assert model is not None
    assert model.fit is None
    assert NO_MODEL in model.sentence
    theirs = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(others.table["day"], others.table["failed"])
    ratio = model.observed(own.table)
    assert ratio.expected == pytest.approx(theirs.cumulative_hazard_at_times([350, 729]).sum(), rel=1e-9)
    assert ratio.observed == 0, "nothing is known to expect after the last of the others, so nothing counts"
    assert expectation(rows([*failing[:4], *standing]), own) is None


def test_late_entries_count_from_their_entry_on() -> None:
    others = rows(drawn(80, 5))
    model = expectation(others, rows([a_row(900)]))
    assert model is not None
    whole, late, early = (
        model.observed(rows([row]).table).expected for row in (a_row(900), a_row(900, entry=300), a_row(300))
    )
    assert late == pytest.approx(whole - early, rel=1e-12)
