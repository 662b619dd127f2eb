"""`analyse --method cox` answers with R's values, names levels by column, and counts what it leaves out."""

import pytest

FOLLOWED = ("--duration", "time", "--event", "status")
ITERATED = 1e-6
FITS = [
    ("aml", "x", ("--covariates", "x")),
    (
        "veteran",
        "trt + celltype + karno + age",
        ("--covariates", "trt,celltype,karno,age", "--reference", "celltype=squamous"),
    ),
    (
        "veteran",
        "trt + karno + age, strata celltype",
        ("--covariates", "trt,karno,age", "--strata", "celltype"),
    ),
    ("freireich_6mp", "group", ("--covariates", "group", "--reference", "group=placebo")),
    ("diabetic", "trt + juvenile + risk", ("--covariates", "trt,juvenile,risk")),
    ("mgus2", "age + sex", ("--covariates", "age,sex")),
]
CLUSTERED = [
    ("diabetic", "trt + juvenile + risk", ("--covariates", "trt,juvenile,risk", "--cluster", "id")),
    (
        "freireich_6mp",
        "group",
        ("--covariates", "group", "--reference", "group=placebo", "--cluster", "pair"),
    ),
]
TERM = {"coef", "hazard_ratio", "std_error", "robust_std_error", "lower", "upper", "z", "p"}


@pytest.mark.parametrize(("name", "formula", "options"), FITS)
def test_fit(answer, truth, close, name, formula, options):
    found, expected = answer(name, "cox", *FOLLOWED, *options), truth(name)["cox"][formula]
    assert found == {
        "n": expected["n"],
        "left_out": 0,
        "coefficients": {
            term: close({**values, "robust_std_error": None}, ITERATED)
            for term, values in expected["coefficients"].items()
        },
        "concordance": close(expected["concordance"], ITERATED),
        "log_likelihood": close(expected["log_likelihood"], ITERATED),
        "proportional_hazards": {
            term: close({key: test[key] for key in ("statistic", "p")}, ITERATED)
            for term, test in expected["proportional_hazards"].items()
        },
    }


@pytest.mark.parametrize(("name", "formula", "options"), CLUSTERED)
def test_robust_errors(answer, truth, close, name, formula, options):
    found = answer(name, "cox", *FOLLOWED, *options)["coefficients"]
    for term, expected in truth(name)["cox"][formula]["by_cluster"]["coefficients"].items():
        assert set(found[term]) == TERM
        assert {key: found[term][key] for key in expected} == close(expected, ITERATED)


def test_a_number_becomes_levels_when_a_reference_is_named(answer):
    # One indicator of two levels is the number itself, but for its sign.
    as_number = answer("veteran", "cox", *FOLLOWED, "--covariates", "trt")["coefficients"]["trt"]
    options = ("--covariates", "trt", "--reference", "trt=2")
    as_level = answer("veteran", "cox", *FOLLOWED, *options)["coefficients"]["trt[1]"]
    assert as_level["coef"] == pytest.approx(-as_number["coef"], rel=ITERATED)


@pytest.mark.parametrize("gap", ["", "NA"])
def test_a_missing_covariate_is_left_out_and_counted(ask, close, gap):
    grade = [day * 7 % 5 for day in range(60)]
    rows = {"time": range(1, 61), "status": [0, 1, 1, 1] * 15, "zone": ["a", "b", "c"] * 20}
    options = (*FOLLOWED, "--covariates", "grade,zone")
    zone = [gap, *rows["zone"][1:]]
    found = ask({**rows, "zone": zone, "grade": [*grade[:-1], gap]}, "cox", *options)
    complete = {name: column[1:-1] for name, column in {**rows, "grade": grade}.items()}
    assert (found["n"], found["left_out"]) == (58, 2)
    assert found["coefficients"] == close(ask(complete, "cox", *options)["coefficients"])


def test_late_entry_changes_who_is_compared(ask):
    # Fewer at risk at each failure, so each was likelier to be the one that failed.
    days = range(1, 41)
    rows = {"time": [day + 2 for day in days], "status": [1] * 40, "age": [day * 7 % 11 for day in days]}
    options = (*FOLLOWED, "--covariates", "age")
    late = ask({**rows, "entry": [day / 2 for day in days]}, "cox", *options, "--entry", "entry")
    from_the_start = ask({**rows, "entry": [0] * 40}, "cox", *options, "--entry", "entry")
    assert from_the_start == ask(rows, "cox", *options)
    assert late["log_likelihood"] > from_the_start["log_likelihood"]
