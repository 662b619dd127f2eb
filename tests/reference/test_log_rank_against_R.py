"""Log-rank tests against R 4.2.2, survival 3.5-3, and against print.

survdiff(Surv(time, status) ~ group), with + strata(s) where stratified; survdiff on each two groups and
p.adjust(p, "holm"). The test for trend, which R's survival has not, is held to a worked example in print.
"""

from collections import Counter
from dataclasses import asdict
from typing import Any

import pytest

from outcomes.estimators.comparison import LogRank, log_rank, pairwise_log_rank
from outcomes.estimators.trend import trend_log_rank

TESTS = [
    ("aml", "x"),
    ("veteran", "celltype"),
    ("veteran", "trt"),
    ("freireich_6mp", "group"),
    ("diabetic", "trt"),
    ("mgus2", "sex"),
]
STRATIFIED = [
    ("veteran", "trt", "celltype"),
    ("freireich_6mp", "group", "remstat"),
    ("diabetic", "trt", "juvenile"),
    ("diabetic", "trt", "id"),
]


def counted(truth: Any, by: str, strata: str | None = None) -> LogRank | None:
    names = ("time", "status", by, strata or by)
    rows = Counter(zip(*(truth.column(name) for name in names), strict=True))
    time, failed, group, stratum = zip(*rows, strict=True)
    return log_rank(time, failed, group, list(rows.values()), strata=stratum if strata else None)


def row_by_row(truth: Any, by: str, strata: str | None = None) -> LogRank | None:
    stratum = truth.column(strata) if strata else None
    return log_rank(truth.column("time"), truth.column("status"), truth.column(by), strata=stratum)


def _like(r: dict[str, Any], found: LogRank | None) -> dict[str, Any]:
    assert found is not None
    return {key: asdict(found)[key] for key in r}


@pytest.mark.parametrize("test", [row_by_row, counted])
@pytest.mark.parametrize(("name", "by"), TESTS)
def test_log_rank(reference: Any, compare: Any, name: str, by: str, test: Any) -> None:
    truth = reference(name)
    r = truth.expected["log_rank"][by]
    compare("log-rank", name, by, _like(r, test(truth, by)), r)


@pytest.mark.parametrize("test", [row_by_row, counted])
@pytest.mark.parametrize(("name", "by", "strata"), STRATIFIED)
def test_stratified(reference: Any, compare: Any, name: str, by: str, strata: str, test: Any) -> None:
    truth = reference(name)
    r = truth.expected["log_rank_stratified"][f"{by} by {strata}"]
    compare("log-rank, stratified", name, f"{by} by {strata}", _like(r, test(truth, by, strata)), r)


def test_pairwise(reference: Any, compare: Any) -> None:
    truth = reference("veteran")
    r = truth.expected["pairwise"]["celltype"]
    pairs = pairwise_log_rank(truth.column("time"), truth.column("status"), truth.column("celltype"))
    assert [(pair.a, pair.b) for pair in pairs] == [(pair["a"], pair["b"]) for pair in r]
    found, expected = (
        [[pair[key] for key in ("statistic", "p", "p_holm")] for pair in of] for of in (map(asdict, pairs), r)
    )
    compare("log-rank, pairwise with Holm", "veteran", "celltype", found, expected)


def test_published_statistic_of_6_mp(reference: Any) -> None:
    # Log-rank chi-square 16.79 as printed in Kleinbaum & Klein, Survival Analysis: A Self-Learning Text.
    truth = reference("freireich_6mp")
    result = row_by_row(truth, "group")
    assert result is not None
    assert round(result.statistic, 2) == truth.published["log_rank_statistic"] == 16.79


def test_published_trend_of_larynx_cancer(reference: Any) -> None:
    # Klein & Moeschberger 2003, section 7.4, from memory: O - E of stages I to IV, z of the test for trend.
    truth = reference("larynx")
    trend = trend_log_rank(truth.column("time"), truth.column("status"), truth.column("stage"), [1, 2, 3, 4])
    assert trend is not None
    differences = [round(totals.observed - totals.expected, 4) for totals in trend.groups.values()]
    assert differences == truth.published["observed_less_expected"] == [-7.5660, -3.0117, 2.9155, 7.6623]
    assert round(trend.z, 2) == truth.published["trend_z"] == 3.72
