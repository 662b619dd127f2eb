"""Cumulative incidence against R 4.2.2, survival 3.5-3: survfit(Surv(etime, factor(event)) ~ sex).

Event 1 is plasma cell malignancy, 2 is death; intervals with conf.type = "log-log", "log" and "plain". R has
no test of one cause of its own: that one is held to its formula in tests/outcomes/estimators.
"""

from collections import Counter
from typing import Any

import pytest

from outcomes.estimators.competing import (
    CumulativeIncidence,
    cumulative_incidence,
    cumulative_incidence_by_group,
)

SELECTIONS = ["overall", "sex=F", "sex=M"]


@pytest.fixture(params=SELECTIONS)
def selection(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def r(reference: Any, selection: str) -> Any:
    return reference("mgus2").expected["cumulative_incidence"][selection]


@pytest.fixture
def rows(reference: Any, selection: str) -> tuple[list[int], list[int]]:
    truth = reference("mgus2")
    return truth.column("etime", selection), truth.column("event", selection)


def agrees(compare: Any, found: CumulativeIncidence, r: Any, quantity: str) -> None:
    assert (found.n, found.time, found.at_risk) == (r["n"], tuple(r["time"]), tuple(r["at_risk"]))
    assert found.censored_at == tuple(r["censored_at"])
    for name, expected in r["causes"].items():
        cause = found.causes[name]
        assert cause.events_at == tuple(expected["events_at"])
        for part in ("incidence", "std_error"):
            label = f"{quantity}, cause {name}: {part}"
            compare("cumulative incidence", "mgus2", label, getattr(cause, part), expected[part])


def test_incidence_and_error(compare: Any, rows: Any, r: Any, selection: str) -> None:
    agrees(compare, cumulative_incidence(*rows), r, selection)


def test_counted_rows(compare: Any, rows: Any, r: Any, selection: str) -> None:
    counts = Counter(zip(*rows, strict=True))
    time, cause = zip(*counts, strict=True)
    agrees(
        compare,
        cumulative_incidence(time, cause, list(counts.values())),
        r,
        f"{selection}, rows with weights",
    )


@pytest.mark.parametrize("scale", ["log-log", "log", "plain"])
def test_intervals(compare: Any, rows: Any, r: Any, selection: str, scale: Any) -> None:
    curves = cumulative_incidence(*rows, interval=scale)
    for name, cause in r["causes"].items():
        for landmark in cause["landmarks"]:
            read = curves.at(landmark["day"]).causes[name]
            found = (read.estimate, read.lower, read.upper)
            expected = (landmark["estimate"], landmark[f"lower {scale}"], landmark[f"upper {scale}"])
            label = f"{selection}, cause {name}: {scale} interval at {landmark['day']}"
            compare("cumulative incidence", "mgus2", label, found, expected)


def test_by_group(compare: Any, reference: Any) -> None:
    truth = reference("mgus2")
    groups = cumulative_incidence_by_group(truth.data["etime"], truth.data["event"], truth.data["sex"])
    assert list(groups) == ["F", "M"]
    for name, found in groups.items():
        agrees(compare, found, truth.expected["cumulative_incidence"][f"sex={name}"], f"group {name}")
