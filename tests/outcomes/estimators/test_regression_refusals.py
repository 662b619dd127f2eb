"""What Cox regression refuses, of what it cautions, and what it makes of odd but honest data."""

from math import inf, nan
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.estimators.regression import ChiSquare, CoxFit, cox, robust_wald

RANDOM = np.random.default_rng(20)
ROWS = 120
TABLE: dict[str, Any] = {
    "days": RANDOM.integers(1, 60, ROWS),
    "failed": RANDOM.random(ROWS) < 0.6,
    "age": RANDOM.normal(30, 8, ROWS).round(1),
    "zone": RANDOM.choice(["red", "red-white", "white"], ROWS),
    "patient": RANDOM.integers(0, 80, ROWS),
}


def fitted(changed: dict[str, Any] | None = None, **more: Any) -> CoxFit:
    return cox(
        TABLE | (changed or {}), **{"duration": "days", "event": "failed", "covariates": ["age"]} | more
    )


def codes(fit: CoxFit) -> list[str]:
    return [caution.code for caution in fit.cautions]


@pytest.mark.parametrize(
    ("changed", "more", "message"),
    [
        ({}, {"covariates": ["width"]}, "column width is not in the table: name one of days, failed, age"),
        ({}, {"covariates": []}, "covariates is empty: name at least one column"),
        ({"age": [30.0] * ROWS}, {}, "covariate age is 30.0 in every row: it explains nothing; leave it out"),
        ({"failed": [0] * ROWS}, {}, "no complete row ends in failure"),
        ({"age": [None] * ROWS}, {}, "no row has every covariate"),
        ({"age": [inf, *TABLE["age"][1:]]}, {}, r"age\[0\] is inf: a covariate must be finite"),
        ({"patient": [None, *TABLE["patient"][1:]]}, {"cluster": "patient"}, r"patient\[0\] is nan: every"),
        ({"patient": [1] * ROWS}, {"cluster": "patient"}, "cluster has too few distinct values, 1: it must"),
        ({}, {"references": {"age": "30"}}, "references names age: it must be a text covariate"),
        (
            {},
            {"covariates": ["zone"], "references": {"zone": "blue"}},
            "references gives zone the level blue: it must be one of red, red-white, white",
        ),
        (
            {"failed": [1] * 7 + [0] * (ROWS - 7)},
            {"covariates": ["age", "zone"]},
            r"7 events for age, zone\[red-white\], zone\[white\] are 2.3 a coefficient: it must be 5 or more",
        ),
        (
            {"months": TABLE["age"] * 12},
            {"covariates": ["zone", "age", "months"]},
            "age, months determine each other: leave one of them out",
        ),
        (
            {},
            {"covariates": ["zone"], "strata": "zone"},
            r"zone\[red-white\] is the same for all at risk whenever one fails",
        ),
        (
            {"failed": TABLE["failed"] & (TABLE["zone"] != "white")},
            {"covariates": ["age", "zone"]},
            r"no finite hazard ratio fits zone\[white\]: each level must have a failure",
        ),
        ({"age": -TABLE["days"]}, {}, "no finite hazard ratio fits age"),
        ({"age": TABLE["days"] < 30}, {}, "no finite hazard ratio fits age"),
        ({"late": TABLE["days"]}, {"entry": "late"}, "it must be before"),
        ({"days": -TABLE["days"]}, {}, "must be a finite number, 0 or more"),
    ],
)
def test_refuses_in_words(changed: dict[str, Any], more: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        fitted(changed, **more)


def test_a_row_that_misses_a_covariate_is_left_out_and_counted() -> None:
    age = [nan, *TABLE["age"][1:]]
    zone = np.array([*TABLE["zone"][:-2], None, None], dtype=object)
    fit = fitted({"age": age, "zone": zone}, covariates=["age", "zone"])
    kept = {name: column[1:-2] for name, column in TABLE.items()}
    assert (fit.n, fit.left_out) == (ROWS - 3, 3)
    assert fit.coefficients == fitted(kept, covariates=["age", "zone"]).coefficients
    twice = fitted({"age": age, "zone": zone, "repairs": [2] * ROWS}, covariates=["age"], weights="repairs")
    assert (twice.n, twice.left_out) == (2 * (ROWS - 1), 2)


def test_cautions_of_few_events_few_clusters_and_ratios_that_change() -> None:
    failed = np.arange(ROWS) < 18
    assert codes(fitted({"failed": failed}, covariates=["age", "zone"])) == ["few_events"]
    assert "few_events" not in codes(fitted({"failed": failed}))
    assert "few_clusters" in codes(fitted({"patient": np.arange(ROWS) % 19}, cluster="patient"))
    assert "few_clusters" not in codes(fitted({"patient": np.arange(ROWS) % 20}, cluster="patient"))
    # Those above 30 fail in the middle of the time, the others at both ends.
    days = np.where(TABLE["age"] > 30, 30 + TABLE["days"] / 6, TABLE["days"] + 20 * (TABLE["days"] > 20))
    fit = fitted({"days": days, "age": (TABLE["age"] > 30).astype(int)})
    assert codes(fit) == ["non_proportional", "non_proportional"]
    assert [caution.sentence.split(" changes")[0] for caution in fit.cautions] == [
        "The hazard ratio of age",
        "The hazard ratio of the covariates together",
    ]


def test_the_least_number_of_events_can_be_set() -> None:
    failed = np.arange(ROWS) < 4
    assert fitted({"failed": failed}, least_events=4).events == 4
    with pytest.raises(ValueError, match=r"4 events for age are 4\.0 a coefficient: it must be 4\.5 or more"):
        fitted({"failed": failed}, least_events=4.5)


@pytest.mark.parametrize("day", [0, 7])
def test_all_on_one_day_leaves_no_change_to_test(day: int) -> None:
    fit = fitted({"days": [day] * ROWS})
    assert fit.person_time == day * ROWS
    assert fit.proportional_hazards == {"age": ChiSquare(None, 1, None), "GLOBAL": ChiSquare(None, 1, None)}
    assert "non_proportional" not in codes(fit)


def test_no_pair_to_compare_has_no_concordance() -> None:
    assert fitted({"days": [7] * ROWS, "failed": [1] * ROWS}).concordance is None


def test_times_that_differ_by_rounding_alone_are_tied() -> None:
    # 0.1 + 0.2 and 0.3 are one moment, though not one float.
    late = RANDOM.integers(1, 30, ROWS)
    in_tenths = {"late": late, "days": late + TABLE["days"]}
    in_ones = {"late": late / 10, "days": late / 10 + TABLE["days"] / 10}
    assert np.unique(in_ones["days"]).size > np.unique(in_tenths["days"]).size
    one, other = (fitted(columns, entry="late").coefficients[0] for columns in (in_ones, in_tenths))
    assert one.coef == pytest.approx(other.coef, rel=1e-9)
    assert one.std_error == pytest.approx(other.std_error, rel=1e-9)


def test_takes_a_frame_with_an_index_of_its_own_and_categories() -> None:
    frame = pd.DataFrame(TABLE, index=RANDOM.permutation(ROWS)).astype({"zone": "category"})
    fit = cox(
        frame, duration="days", event="failed", covariates=["zone", "age"], references={"zone": "white"}
    )
    assert fit.coefficients == fitted(covariates=["zone", "age"], references={"zone": "white"}).coefficients
    assert fit.reference_levels == {"zone": "white"}


def test_a_robust_test_needs_a_cluster_and_names_it_knows() -> None:
    with pytest.raises(ValueError, match="fit has no cluster: give cox"):
        robust_wald(fitted())
    with pytest.raises(ValueError, match="names has zone: it must be one of age"):
        robust_wald(fitted(cluster="patient"), ["zone"])


def test_a_hazard_ratio_past_the_largest_float_is_infinite() -> None:
    row = fitted({"age": 1e-6 * np.abs(TABLE["age"] - TABLE["days"] / 10)}).coefficients[0]
    assert abs(row.coef) > 1000
    assert inf in (row.lower, row.hazard_ratio, row.upper)


def test_leaves_the_warnings_of_numpy_as_they_were() -> None:
    with np.errstate(divide="raise", invalid="raise"):
        fitted()
        assert (np.geterr()["divide"], np.geterr()["invalid"]) == ("raise", "raise")
