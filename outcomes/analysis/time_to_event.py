"""Methods for times to failure: curves, comparison, means, follow-up, causes, intervals between looks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from outcomes.analysis.answer import (
    Answer,
    Places,
    Values,
    answer,
    answer_by_group,
    picked,
    places_by_group,
)
from outcomes.analysis.options import Asked
from outcomes.analysis.reading import CAUSE, ENTRY, FLAG, TIME, FloatArray, Rule, Table
from outcomes.estimators import comparison, competing, follow_up, interval, restricted_mean, survival

NOTHING_TO_TEST = (
    "There is nothing to test: no two groups were at risk when one failed, or all failed at once."
)


@dataclass(frozen=True, slots=True)
class Followed:
    """Rows as estimators of right-censored data take them, columns of shape (rows,)."""

    columns: dict[str, Any]

    def of(self, places: Places) -> dict[str, Any]:
        """The arguments for the rows at `places`."""
        return {name: column[places] for name, column in self.columns.items()}


def _followed(table: Table, asked: Asked, outcome: str = "failed", rule: Rule = FLAG) -> Followed:
    """Read time and outcome and, where named, entry, cluster and strata."""
    time = table.column(str(asked.duration)).numbers(TIME)
    columns: dict[str, Any] = {
        "time": time,
        outcome: table.column(str(asked.event)).numbers(rule),
    }
    if asked.entry is not None:
        columns["entry"] = entry_times(table, asked.entry, time)
    for name, column in (("cluster", asked.cluster), ("strata", asked.strata)):
        if column is not None:
            columns[name] = table.column(column).labels()
    return Followed(columns)


def entry_times(table: Table, name: str, time: FloatArray) -> FloatArray:
    """Read delayed entries; 0 means from the start, so that a row of time 0 counts too."""
    column = table.column(name)
    entry = column.numbers(ENTRY)
    column.require((entry < time) | (entry == 0), "a row must enter before its time is over")
    return entry


def kaplan_meier(table: Table, asked: Asked) -> Answer:
    followed, at = _followed(table, asked), asked.at or ()
    curves = {
        name: survival.kaplan_meier(
            **followed.of(places), at=[float(day) for day in at], interval=asked.conf or "log-log"
        )
        for name, places in places_by_group(table, asked).items()
    }
    return answer_by_group({name: _curve(curve, at) for name, curve in curves.items()}, curves)


def _curve(curve: survival.SurvivalCurve, at: Iterable[str]) -> Values:
    steps = ("time", "at_risk", "events_at", "censored_at", "survival", "std_error", "lower", "upper")
    return {
        **picked(curve, "n", "events", *steps),
        "median": asdict(curve.median),
        "at": {day: _landmark(landmark) for day, landmark in zip(at, curve.landmarks, strict=True)},
    }


def _landmark(landmark: survival.Landmark) -> Values:
    values = picked(landmark, "survival", "lower", "upper", "at_risk")
    # Past the last time nobody is followed, and the number is as undefined as the rest.
    return values if landmark.survival is not None else dict.fromkeys(values)


def log_rank(table: Table, asked: Asked) -> Answer:
    rows = _followed(table, asked).columns
    group = table.column(str(asked.group)).labels()
    test = comparison.log_rank(**rows, group=group)
    pairs = comparison.pairwise_log_rank(**rows, group=group)
    pairwise = [picked(pair, "a", "b", "statistic", "p", "p_holm") for pair in pairs]
    if test is None:
        undefined = dict.fromkeys(("statistic", "df", "p"))
        groups = {
            name: {"n": len(places), "observed": int(rows["failed"][places].sum()), "expected": None}
            for name, places in places_by_group(table, asked).items()
        }
        return answer(
            {**undefined, "groups": groups, "pairwise": pairwise}, *pairs, cautions=[NOTHING_TO_TEST]
        )
    groups = {name: asdict(totals) for name, totals in test.groups.items()}
    values = {**picked(test, "statistic", "df", "p"), "groups": groups, "pairwise": pairwise}
    return answer(values, test, *pairs)


def mean_up_to(table: Table, asked: Asked) -> Answer:
    followed, groups = _followed(table, asked), places_by_group(table, asked)
    # One horizon for all, or their means could not be compared.
    shortest = min(float(np.max(followed.columns["time"][places])) for places in groups.values())
    means = {
        name: restricted_mean.restricted_mean(**followed.of(places), tau=asked.tau or shortest)
        for name, places in groups.items()
    }
    shown = ("tau", "estimate", "std_error", "lower", "upper")
    return answer_by_group({name: picked(mean, *shown) for name, mean in means.items()}, means)


def median_follow_up(table: Table, asked: Asked) -> Answer:
    followed = _followed(table, asked)
    medians = {
        name: follow_up.reverse_kaplan_meier(**followed.of(places), interval=asked.conf or "log-log")
        for name, places in places_by_group(table, asked).items()
    }
    values = {
        name: {"median": median.estimate, **picked(median, "lower", "upper")}
        for name, median in medians.items()
    }
    return answer_by_group(values, medians)


def cumulative_incidence(table: Table, asked: Asked) -> Answer:
    followed = _followed(table, asked, "cause", CAUSE)
    cause = followed.columns["cause"] = followed.columns["cause"].astype(np.int64)
    # Every group lists all causes, those too that ended nothing in it.
    causes = np.unique(cause[cause > 0]).tolist()
    curves = {
        name: competing.cumulative_incidence(**followed.of(places), causes=causes)
        for name, places in places_by_group(table, asked).items()
    }
    values = {
        name: {
            cause: {"time": curve.time, **picked(share, "incidence", "std_error")}
            for cause, share in curve.causes.items()
        }
        for name, curve in curves.items()
    }
    return answer_by_group(values, curves)


def interval_censored(table: Table, asked: Asked) -> Answer:
    lower, upper = table.column(str(asked.lower)).numbers(TIME), table.column(str(asked.upper))
    until = upper.optional_numbers(TIME)
    upper.require(np.isnan(until) | (until >= lower), f"it must not be below {asked.lower!r} of the same row")
    found = {
        name: interval.turnbull(lower[places], until[places])
        for name, places in places_by_group(table, asked).items()
    }
    values = {
        name: picked(estimate, "intervals", "mass", "log_likelihood") for name, estimate in found.items()
    }
    return answer_by_group(values, found)
