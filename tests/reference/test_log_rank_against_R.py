"""Log-rank tests against R 4.2.2, survival 3.5-3: survdiff(Surv(time, status) ~ group)."""

from collections import Counter
from dataclasses import asdict
from typing import Any

import pytest

from outcomes.estimators.comparison import LogRank, log_rank

TESTS = [
    ("aml", "x"),
    ("veteran", "celltype"),
    ("veteran", "trt"),
    ("freireich_6mp", "group"),
    ("diabetic", "trt"),
]


def counted(truth: Any, by: str) -> LogRank | None:
    rows = Counter(zip(truth.column("time"), truth.column("status"), truth.column(by), strict=True))
    time, failed, group = zip(*rows, strict=True)
    return log_rank(time, failed, group, list(rows.values()))


def row_by_row(truth: Any, by: str) -> LogRank | None:
    return log_rank(truth.column("time"), truth.column("status"), truth.column(by))


@pytest.mark.parametrize("test", [row_by_row, counted])
@pytest.mark.parametrize(("name", "by"), TESTS)
def test_log_rank(reference: Any, same: Any, name: str, by: str, test: Any) -> None:
    truth = reference(name)
    assert asdict(test(truth, by)) == same(truth.expected["log_rank"][by])


def test_published_statistic_of_6_mp(reference: Any) -> None:
    # Log-rank chi-square 16.79 as printed in Kleinbaum & Klein, Survival Analysis: A Self-Learning Text.
    truth = reference("freireich_6mp")
    result = row_by_row(truth, "group")
    assert result is not None
    assert round(result.statistic, 2) == truth.published["log_rank_statistic"] == 16.79
