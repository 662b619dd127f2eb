"""Cox regression against R 4.2.2, survival 3.5-3, Efron's ties.

Calls, by data set (fixtures/reference/reference.R): fit <- coxph(Surv(time, status) ~ ...), plain and with
cluster; summary(fit); concordance(fit); cox.zph(fit, terms = FALSE), whose time scale is Kaplan-Meier.
"""

from dataclasses import asdict
from typing import Any

import numpy as np
import pytest

from outcomes.estimators.regression import CoxFit, cox, robust_wald

ITERATED = 1e-6  # relative tolerance of an iterated fit, never wider
CALLS = {
    ("aml", "x"): {"covariates": ["x"]},
    ("veteran", "trt + celltype + karno + age"): {
        "covariates": ["trt", "celltype", "karno", "age"],
        "references": {"celltype": "squamous"},
    },
    ("veteran", "trt + karno + age, strata celltype"): {
        "covariates": ["trt", "karno", "age"],
        "strata": "celltype",
    },
    ("diabetic", "trt + juvenile + risk"): {"covariates": ["trt", "juvenile", "risk"]},
    ("diabetic", "trt + juvenile + trt:juvenile"): {"covariates": ["trt", "juvenile", "trt:juvenile"]},
    ("freireich_6mp", "group"): {"covariates": ["group"], "references": {"group": "placebo"}},
    ("mgus2", "age + sex"): {"covariates": ["age", "sex"]},
}
CLUSTERS = {"diabetic": "id", "freireich_6mp": "pair"}


def table(truth: Any) -> dict[str, Any]:
    columns = dict(truth.data)
    if "juvenile" in columns:
        columns["trt:juvenile"] = np.array(columns["trt"]) * np.array(columns["juvenile"])
    return columns


def fitted(truth: Any, name: str, model: str, **more: Any) -> CoxFit:
    return cox(table(truth), duration="time", event="status", **CALLS[name, model], **more)


def of_coefficients(fit: CoxFit, expected: dict[str, Any]) -> dict[str, Any]:
    """The same quantities of the same coefficients as in `expected`."""
    found = {coefficient.name: asdict(coefficient) for coefficient in fit.coefficients}
    return {
        name: {key: found[name][key] for key in values} for name, values in expected.items() if name in found
    }


@pytest.mark.parametrize(("name", "model"), CALLS)
def test_cox(reference: Any, compare: Any, name: str, model: str) -> None:
    truth = reference(name)
    r = truth.expected["cox"][model]
    fit = fitted(truth, name, model)
    assert (fit.n, fit.events, fit.left_out, fit.clusters) == (r["n"], r["events"], 0, None)
    found = of_coefficients(fit, r["coefficients"])
    compare("Cox", name, f"{model}: coefficients", found, r["coefficients"], ITERATED)
    compare("Cox", name, f"{model}: log likelihood", fit.log_likelihood, r["log_likelihood"], ITERATED)
    compare("concordance", name, model, fit.concordance, r["concordance"], ITERATED)


@pytest.mark.parametrize(("name", "model"), CALLS)
def test_proportional_hazards(reference: Any, compare: Any, name: str, model: str) -> None:
    truth = reference(name)
    expected = truth.expected["cox"][model]["proportional_hazards"]
    tests = fitted(truth, name, model).proportional_hazards
    found = {key: asdict(test) for key, test in tests.items()}
    compare("Cox, proportional hazards", name, model, found, expected, ITERATED)


@pytest.mark.parametrize(("name", "model"), [key for key in CALLS if key[0] in CLUSTERS])
def test_robust_error(reference: Any, compare: Any, name: str, model: str) -> None:
    truth = reference(name)
    r = truth.expected["cox"][model]["by_cluster"]
    fit = fitted(truth, name, model, cluster=CLUSTERS[name])
    assert fit.clusters == r["clusters"]
    found = of_coefficients(fit, r["coefficients"])
    compare("Cox, robust error", name, f"{model}: coefficients", found, r["coefficients"], ITERATED)
    wald = asdict(robust_wald(fit))
    compare("Cox, robust error", name, f"{model}: Wald test", wald, r["robust_wald"], ITERATED)


@pytest.mark.parametrize("cause", ["1", "2"])
def test_hazard_of_one_cause(reference: Any, compare: Any, cause: str) -> None:
    # coxph(Surv(etime, event == 1) ~ age + sex), and event == 2: the other cause censors.
    truth = reference("mgus2")
    expected = truth.expected["cox_of_cause"][cause]
    columns = truth.data | {"ended": [str(event) == cause for event in truth.data["event"]]}
    fit = cox(columns, duration="etime", event="ended", covariates=["age", "sex"])
    found = of_coefficients(fit, expected)
    compare("Cox", "mgus2", f"cause {cause}: coefficients", found, expected, ITERATED)


def test_counted_rows_are_written_out(reference: Any, compare: Any) -> None:
    # 137 patients in 117 rows; ties must be seen one by one, or the coefficient is 1e-3 off.
    truth = reference("veteran")
    column = [tuple(row) for row in zip(*(truth.data[key] for key in ("time", "status", "trt")), strict=True)]
    rows = sorted(set(column))
    time, status, trt = zip(*rows, strict=True)
    counted = {"time": time, "status": status, "trt": trt, "n": [column.count(row) for row in rows]}
    assert len(rows) < len(column)
    names = {"duration": "time", "event": "status", "covariates": ["trt"]}
    one_by_one = cox(truth.data, **names)
    fit = cox(counted, weights="n", **names)
    assert fit.n == one_by_one.n == 137
    found, expected = asdict(fit.coefficients[0]), asdict(one_by_one.coefficients[0])
    compare("Cox, counted rows", "veteran", "trt", *({**row, "name": 0} for row in (found, expected)))
