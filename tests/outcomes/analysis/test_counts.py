"""`analyse` on counts, shares, runs, follow-up dates and keys answers with the outside truth."""

import pytest


@pytest.mark.parametrize("row", range(6))
def test_rate(ask, data, truth, close, row):
    columns = {name: [column[row]] for name, column in data("poisson_rates").items()}
    found = ask(columns, "rate", "--duration", "person_years", "--event", "events")["groups"]["all"]
    assert found == close(
        {
            "events": columns["events"][0],
            "person_time": columns["person_years"][0],
            **{key: truth("poisson_rates")[key][row] for key in ("estimate", "lower", "upper")},
        }
    )


def test_rate_adds_rows_up(answer):
    found = answer("poisson_rates", "rate", "--duration", "person_years", "--event", "events")
    assert found["groups"]["all"]["events"] == 159
    assert found["groups"]["all"]["person_time"] == pytest.approx(1523.75)


@pytest.mark.parametrize("row", range(12))
def test_proportion(ask, data, truth, close, row):
    x, n = (data("proportions")[name][row] for name in ("x", "n"))
    found = ask({"failed": [1] * x + [0] * (n - x)}, "proportion", "--event", "failed")["groups"]["all"]
    expected = {key: truth("proportions")[key][row] for key in ("estimate", "lower", "upper")}
    assert found == close({"x": x, "n": n, **expected})


def test_funnel_limits(ask, data, truth, close):
    sizes, expected = data("funnel_p020")["n"], truth("funnel_p020")
    columns = {"failed": [0] * len(sizes), "of": sizes}
    found = ask(columns, "funnel", "--event", "failed", "--total", "of", "--target", "0.2")
    assert found["target"] == 0.2
    limits = {"lower_95": "0.025", "upper_95": "0.975", "lower_998": "0.001", "upper_998": "0.999"}
    for key, p in limits.items():
        assert [unit[key] for unit in found["units"]] == close(expected[p])
    assert set(found["units"][0]) == {"events", "total", "share", *limits}
    # Of shares that are all 0 the mean squared z is the mean of n p / (1 - p).
    assert found["over_dispersion"] == pytest.approx(sum(sizes) / len(sizes) * 0.2 / 0.8)


def test_funnel_about_the_pooled_share(ask):
    found = ask({"failed": [2, 8], "of": [20, 30]}, "funnel", "--event", "failed", "--total", "of")
    assert set(found) == {"target", "over_dispersion", "units"}
    assert found["target"] == pytest.approx(0.2)
    assert [unit["share"] for unit in found["units"]] == pytest.approx([0.1, 8 / 30])


RUN = ("--event", "y", "--expected", "p")


@pytest.mark.parametrize("odds_ratio", ["2", "0.5"])
def test_cusum(answer, truth, close, odds_ratio):
    expected = truth("cusum_bernoulli")
    found = answer("cusum_bernoulli", "cusum", *RUN, "--odds-ratio", odds_ratio)
    assert found == close(
        {
            "weights": expected["weights"][odds_ratio],
            "path": expected["path"][odds_ratio],
            "signals": [],
            **{key: expected[key] for key in ("observed", "expected", "ratio")},
        }
    )


@pytest.mark.parametrize("limit", ["1.5", "2.5", "4"])
@pytest.mark.parametrize(("odds_ratio", "side"), [("2", "upper"), ("0.5", "lower")])
def test_cusum_starts_again_after_a_signal(answer, truth, close, limit, odds_ratio, side):
    expected = truth("cusum_bernoulli")["with_limit"][f"h{limit}"][side]
    found = answer("cusum_bernoulli", "cusum", *RUN, "--odds-ratio", odds_ratio, "--limit", limit)
    assert found["path"] == close(expected["path"])
    assert found["signals"] == [result - 1 for result in expected["signals_from_1"]]


DATES = ("--start", "entry", "--last", "last_contact", "--failed", "event_date", "--close", "2020-12-31")


@pytest.mark.parametrize(
    ("selection", "horizon"), [("overall", ()), ("overall, horizon 730 days", ("--horizon", "730"))]
)
def test_completeness(answer, truth, close, selection, horizon):
    expected = truth("completeness_clark")[selection]
    found = answer("completeness_clark", "completeness", *DATES, *horizon)
    assert found == close(
        {
            "observed_days": float(sum(expected["observed_days"])),
            "potential_days": float(sum(expected["potential_days"])),
            "completeness": expected["completeness"],
        }
    )


@pytest.mark.parametrize("which", ["all_keys", "two_keys", "one_key"])
def test_anonymity(answer, truth, close, which):
    expected = truth("kanon_francdat")[which]
    options = ("--keys", ",".join(expected["keys"]), "--sensitive", expected["sensitive"])
    found = answer("kanon_francdat", "anonymity", *options)
    assert found == close({key: expected[key] for key in ("k", "classes", "distinct_l", "t_closeness")})


def test_anonymity_without_a_sensitive_column(answer):
    found = answer("kanon_francdat", "anonymity", "--keys", "Key2")
    assert found == {"k": 3, "classes": 2, "distinct_l": None, "t_closeness": None}
