"""`analyse` on times to failure answers with R's values, under exactly the keys that programs rely on."""

import pytest

from tests.reference.selections import CURVES

FOLLOWED = ("--duration", "time", "--event", "status")
SCALES = ("log-log", "log", "plain")
STEPS = ("n", "events", "time", "at_risk", "events_at", "censored_at", "survival", "std_error")


def by_group(selection):
    """The name of a selection's group, and the options that ask for it."""
    column, _, group = selection.partition("=")
    return (group, ("--group", column)) if group else ("all", ())


@pytest.mark.parametrize(("name", "selection"), CURVES)
def test_curve_median_and_landmarks(answer, truth, close, name, selection):
    expected = truth(name)["curves"][selection]
    group, options = by_group(selection)
    days = ",".join(str(landmark["day"]) for landmark in expected["landmarks"])
    found = answer(name, "kaplan-meier", *FOLLOWED, *options, "--at", days)["groups"][group]
    assert found == close(
        {
            **{key: expected[key] for key in (*STEPS, "lower", "upper", "median")},
            "at": {
                str(landmark["day"]): {
                    key: landmark[key] for key in ("survival", "lower", "upper", "at_risk")
                }
                for landmark in expected["landmarks"]
            },
        }
    )


@pytest.mark.parametrize("scale", ["log", "plain"])
@pytest.mark.parametrize(("name", "selection"), CURVES)
def test_other_scales_of_the_interval(answer, truth, close, name, selection, scale):
    group, options = by_group(selection)
    found = answer(name, "kaplan-meier", *FOLLOWED, *options, "--conf", scale)["groups"][group]
    expected = truth(name)["curves"][selection]["intervals"][scale]
    assert {key: found[key] for key in ("lower", "upper")} == close(
        {key: expected[key] for key in ("lower", "upper")}
    )


@pytest.mark.parametrize("selection", ["overall", "trt=0", "trt=1"])
def test_two_eyes_of_one_patient(answer, truth, close, selection):
    group, options = by_group(selection)
    expected = truth("diabetic")["curves"][selection]["clustered"]
    days = ",".join(str(landmark["day"]) for landmark in expected)
    options = (*FOLLOWED, *options, "--cluster", "id", "--at", days)
    found = answer("diabetic", "kaplan-meier", *options)["groups"][group]
    for landmark in expected:
        there = found["at"][str(landmark["day"])]
        assert {key: there[key] for key in ("survival", "lower", "upper")} == close(
            {key: landmark[key] for key in ("survival", "lower", "upper")}
        )
        latest = max(step for step, time in enumerate(found["time"]) if time <= landmark["day"])
        assert found["std_error"][latest] == close(landmark["std_error"])


def test_late_entry_on_the_axis_of_age(ask, data, truth, close):
    mgus2, expected = data("mgus2"), truth("mgus2")["delayed_entry"]
    rows = [
        (age, age + months / 12, died)
        for age, months, died in zip(*(mgus2[name] for name in ("age", "time", "status")), strict=True)
        if months > 0 and age >= 60
    ]
    columns = dict(zip(("age", "time", "status"), zip(*rows, strict=True), strict=True))
    found = ask(columns, "kaplan-meier", *FOLLOWED, "--entry", "age", "--at", "70,80,90")["groups"]["all"]
    assert found["n"] == expected["n"]
    for landmark in expected["landmarks"]:
        there = {key: landmark[key] for key in ("survival", "lower", "upper", "at_risk")}
        assert found["at"][str(landmark["day"])] == close(there)


def test_late_entry_counts_from_then_on(ask, close):
    # By hand: the one who enters at 5 is at risk neither at 3 nor at 4.
    rows = {"time": [3, 4, 8], "status": [1, 1, 1], "entry": [0, 2, 5]}
    found = ask(rows, "kaplan-meier", *FOLLOWED, "--entry", "entry", "--at", "2,3,6")["groups"]["all"]
    assert found["at_risk"] == [2, 1, 1]
    assert found["survival"] == close([0.5, 0, 0])
    assert [found["at"][day]["at_risk"] for day in ("2", "3", "6")] == [1, 2, 1]


def test_keys_of_landmarks_are_as_typed_and_nothing_is_known_past_the_last_time(answer):
    found = answer("aml", "kaplan-meier", *FOLLOWED, "--at", "4.50, 13,161,162")["groups"]["all"]["at"]
    assert list(found) == ["4.50", "13", "161", "162"]
    assert found["4.50"] == {"survival": 1, "lower": 1, "upper": 1, "at_risk": 23}
    assert found["161"]["at_risk"] == 1
    assert found["162"] == {"survival": None, "lower": None, "upper": None, "at_risk": None}


@pytest.mark.parametrize(("name", "selection"), CURVES)
def test_median_follow_up(answer, truth, close, name, selection):
    group, options = by_group(selection)
    expected = dict(truth(name)["curves"][selection]["follow_up"])
    found = answer(name, "follow-up", *FOLLOWED, *options)["groups"][group]
    assert found == close({"median": expected.pop("estimate"), **expected})


@pytest.mark.parametrize(("name", "selection"), CURVES)
def test_restricted_mean(answer, truth, close, name, selection):
    group, options = by_group(selection)
    for expected in truth(name)["curves"][selection]["restricted_mean"]:
        tau = ("--tau", str(expected["tau"]))
        found = answer(name, "restricted-mean", *FOLLOWED, *options, *tau)["groups"][group]
        assert set(found) == {"tau", "estimate", "std_error", "lower", "upper"}
        assert {key: found[key] for key in expected} == close(expected)
        assert found["upper"] - found["estimate"] == pytest.approx(1.959963984540054 * found["std_error"])


def test_restricted_mean_without_tau_stops_at_the_first_group_to_end(answer):
    found = answer("aml", "restricted-mean", *FOLLOWED, "--group", "x")["groups"]
    assert [group["tau"] for group in found.values()] == [45, 45]


@pytest.mark.parametrize(
    ("name", "group"),
    [
        ("aml", "x"),
        ("veteran", "celltype"),
        ("freireich_6mp", "group"),
        ("diabetic", "trt"),
        ("mgus2", "sex"),
    ],
)
def test_log_rank(answer, truth, close, name, group):
    found = answer(name, "log-rank", *FOLLOWED, "--group", group)
    pairwise = found.pop("pairwise")
    assert found == close(truth(name)["log_rank"][group])
    pairs = len(found["groups"]) * (len(found["groups"]) - 1) / 2
    assert len(pairwise) == pairs
    if pairs == 1:
        assert pairwise[0]["p_holm"] == pairwise[0]["p"] == found["p"]


def test_log_rank_in_pairs(answer, truth, close):
    found = answer("veteran", "log-rank", *FOLLOWED, "--group", "celltype")["pairwise"]
    assert found == close(truth("veteran")["pairwise"]["celltype"])


@pytest.mark.parametrize(
    ("name", "group", "strata"),
    [
        ("veteran", "trt", "celltype"),
        ("diabetic", "trt", "juvenile"),
        ("diabetic", "trt", "id"),
        ("freireich_6mp", "group", "remstat"),
    ],
)
def test_log_rank_within_strata(answer, truth, close, name, group, strata):
    found = answer(name, "log-rank", *FOLLOWED, "--group", group, "--strata", strata)
    assert found.pop("pairwise")
    assert found == close(truth(name)["log_rank_stratified"][f"{group} by {strata}"])


def test_log_rank_with_nothing_to_test_is_null(ask):
    rows = {"time": [1, 2, 3], "status": [0, 0, 0], "arm": ["b", "a", "b"]}
    found = ask(rows, "log-rank", *FOLLOWED, "--group", "arm")
    assert found == {
        "statistic": None,
        "df": None,
        "p": None,
        "groups": {
            "a": {"n": 1, "observed": 0, "expected": None},
            "b": {"n": 2, "observed": 0, "expected": None},
        },
        "pairwise": [{"a": "a", "b": "b", "statistic": None, "p": None, "p_holm": None}],
    }


@pytest.mark.parametrize("selection", ["overall", "sex=F", "sex=M"])
def test_cumulative_incidence(answer, truth, close, selection):
    group, options = by_group(selection)
    followed = ("--duration", "etime", "--event", "event")
    found = answer("mgus2", "cumulative-incidence", *followed, *options)["groups"][group]
    expected = truth("mgus2")["cumulative_incidence"][selection]
    assert set(found) == set(expected["causes"])
    for cause, curve in expected["causes"].items():
        assert set(found[cause]) == {"time", "incidence", "std_error"}
        assert found[cause]["time"] == expected["time"]
        assert found[cause]["incidence"] == close(curve["incidence"])
        if "std_error" in curve:
            assert found[cause]["std_error"] == close(curve["std_error"])


@pytest.mark.parametrize("name", ["breast_rad", "turnbull_small"])
def test_interval_censored(answer, truth, close, name):
    found = answer(name, "interval-censored", "--lower", "lower", "--upper", "upper")["groups"]["all"]
    expected = {key: truth(name)[key] for key in ("intervals", "mass", "log_likelihood")}
    # Iterated: 1e-6.
    assert found == close(expected, 1e-6)


def test_an_interval_that_never_ends_has_null_on_the_right(ask, close):
    rows = {"lower": [0, 2, 3], "upper": [1, 2, ""]}
    found = ask(rows, "interval-censored", "--lower", "lower", "--upper", "upper")["groups"]["all"]
    assert found["intervals"] == [[0, 1], [2, 2], [3, None]]
    assert found["mass"] == close([1 / 3] * 3, 1e-6)
