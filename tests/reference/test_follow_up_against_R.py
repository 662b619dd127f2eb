"""Median follow-up and completeness against R 4.2.2.

Median: quantile(survfit(Surv(time, 1 - status) ~ group, conf.type = ...), 0.5), survival 3.5-3.
Completeness: the formula of Clark, Altman & De Stavola, Lancet 2002;359:1309-10, in base R.
"""

from datetime import date
from typing import Any

import pytest

from outcomes.estimators.follow_up import clark_completeness, completeness, reverse_kaplan_meier
from outcomes.estimators.survival import IntervalScale
from tests.reference.selections import CURVES

COMPLETENESS = ["overall", "overall, horizon 730 days", "arm=A", "arm=B"]


@pytest.mark.parametrize("scale", ["log-log", "log", "plain"])
@pytest.mark.parametrize(("name", "selection"), CURVES)
def test_median_follow_up(
    reference: Any, compare: Any, name: str, selection: str, scale: IntervalScale
) -> None:
    truth = reference(name)
    curve = truth.curve(selection)
    r = (curve if scale == "log-log" else curve["intervals"][scale])["follow_up"]
    median = reverse_kaplan_meier(
        truth.column("time", selection), truth.column("status", selection), interval=scale
    )
    compare("reverse Kaplan-Meier median", name, scale, {key: getattr(median, key) for key in r}, r)


@pytest.mark.parametrize("selection", COMPLETENESS)
def test_completeness_of_sums(reference: Any, compare: Any, selection: str) -> None:
    r = reference("completeness_clark").expected[selection]
    found = completeness(sum(r["observed_days"]), sum(r["potential_days"]))
    compare("Clark's completeness", "completeness_clark", "of sums", found, r["completeness"])


@pytest.mark.parametrize("as_day", [str, date.fromisoformat, lambda day: date.fromisoformat(day).toordinal()])
@pytest.mark.parametrize("selection", COMPLETENESS)
def test_completeness_from_dates(reference: Any, compare: Any, selection: str, as_day: Any) -> None:
    truth = reference("completeness_clark")
    r = truth.expected[selection]
    columns = [
        [day and as_day(day) for day in truth.column(name, selection.partition(",")[0])]
        for name in ("entry", "last_contact", "event_date")
    ]
    found = clark_completeness(*columns, as_day(r["close"]), r["horizon_days"])
    r = {
        "observed_days": sum(r["observed_days"]),
        "potential_days": sum(r["potential_days"]),
        "completeness": r["completeness"],
        "n": len(r["observed_days"]),
    }
    compare(
        "Clark's completeness",
        "completeness_clark",
        "from dates",
        {key: getattr(found, key) for key in r},
        r,
    )
