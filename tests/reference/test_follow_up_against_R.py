"""Median follow-up and completeness against R 4.2.2.

Median: quantile(survfit(Surv(time, 1 - status) ~ group, conf.type = "log-log"), 0.5), survival 3.5-3.
Completeness: the formula of Clark, Altman & De Stavola, Lancet 2002;359:1309-10, in base R.
"""

from dataclasses import asdict
from typing import Any

import pytest

from outcomes.estimators.follow_up import completeness, reverse_kaplan_meier

CURVES = [
    ("aml", "overall"),
    ("aml", "x=Maintained"),  # the reversed curve lies on one half from 45 to 161 weeks: median 103
    ("aml", "x=Nonmaintained"),
    ("veteran", "overall"),
    ("veteran", "celltype=adeno"),
    ("veteran", "celltype=large"),
    ("veteran", "celltype=smallcell"),
    ("veteran", "celltype=squamous"),
    ("veteran", "trt=1"),
    ("veteran", "trt=2"),
    ("freireich_6mp", "overall"),
    ("freireich_6mp", "group=6-MP"),
    ("freireich_6mp", "group=placebo"),  # nobody censored: no median
    ("diabetic", "overall"),
    ("diabetic", "trt=0"),
    ("diabetic", "trt=1"),
]


@pytest.mark.parametrize(("name", "selection"), CURVES)
def test_median_follow_up(reference: Any, same: Any, name: str, selection: str) -> None:
    truth = reference(name)
    result = reverse_kaplan_meier(truth.column("time", selection), truth.column("status", selection))
    assert asdict(result) == same(truth.curve(selection)["follow_up"])


@pytest.mark.parametrize("selection", ["overall", "overall, horizon 730 days", "arm=A", "arm=B"])
def test_completeness(reference: Any, same: Any, selection: str) -> None:
    expected = reference("completeness_clark").expected[selection]
    result = completeness(sum(expected["observed_days"]), sum(expected["potential_days"]))
    assert result == same(expected["completeness"])
