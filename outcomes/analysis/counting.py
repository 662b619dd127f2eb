"""Methods that count: shares, rates, funnel, sequence monitor, completeness of follow-up, anonymity."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.analysis.answer import Answer, answer, answer_by_group, picked, places_by_group
from outcomes.analysis.options import Asked
from outcomes.analysis.reading import COUNT, FLAG, RISK, TIME, TOTAL, Dates, FloatArray, Table
from outcomes.estimators import anonymity as hiding
from outcomes.estimators import follow_up, monitoring, rates
from outcomes.estimators.funnel import funnel as funnel_plot


def proportion(table: Table, asked: Asked) -> Answer:
    failed = table.column(str(asked.event)).numbers(FLAG)
    shares = {
        name: rates.proportion(int(failed[places].sum()), len(places))
        for name, places in places_by_group(table, asked).items()
    }
    shown = ("x", "n", "estimate", "lower", "upper")
    return answer_by_group({name: picked(share, *shown) for name, share in shares.items()}, shares)


def rate(table: Table, asked: Asked) -> Answer:
    """Events may be 0 and 1 or counts: either adds up."""
    time = table.column(str(asked.duration)).numbers(TIME)
    events = table.column(str(asked.event)).numbers(COUNT)
    found = {
        name: rates.rate(int(events[places].sum()), float(time[places].sum()))
        for name, places in places_by_group(table, asked).items()
    }
    shown = ("events", "person_time", "estimate", "lower", "upper")
    return answer_by_group({name: picked(rate, *shown) for name, rate in found.items()}, found)


def funnel(table: Table, asked: Asked) -> Answer:
    column = table.column(str(asked.event))
    events, totals = column.numbers(COUNT), table.column(str(asked.total)).numbers(TOTAL)
    column.require(events <= totals, f"it must not be more than {asked.total!r} of the same row")
    found = funnel_plot(events.astype(int).tolist(), totals.astype(int).tolist(), asked.target)
    shown = ("events", "total", "share", "lower_95", "upper_95", "lower_998", "upper_998")
    units = [picked(unit, *shown) for unit in found.units]
    return answer({**picked(found, "target", "over_dispersion"), "units": units}, found)


def cusum(table: Table, asked: Asked) -> Answer:
    failed = table.column(str(asked.event)).numbers(FLAG)
    expected = table.column(str(asked.expected)).numbers(RISK)
    chart = monitoring.cusum(
        failed.astype(int).tolist(), expected.tolist(), asked.odds_ratio or 2.0, asked.limit
    )
    return answer(picked(chart, "weights", "path", "signals", "observed", "expected", "ratio"), chart)


def completeness(table: Table, asked: Asked) -> Answer:
    """A failure after the close is not known yet; until then only contact counts."""
    start, last, failed = (table.column(str(name)) for name in (asked.start, asked.last, asked.failed))
    begun, known, failure = (
        _days(dates) for dates in (start.dates(), last.optional_dates(), failed.optional_dates())
    )
    close = float(_days(np.array([asked.close], dtype="datetime64[D]"))[0])
    start.require(begun <= close, f"a repair must not come after --close {asked.close}")
    failed.require(np.isnan(failure) | (failure >= begun), f"a failure must not come before {start.name!r}")
    seen_to_fail = failure <= close
    last.require(seen_to_fail | ~np.isnan(known), "a row without failure needs the date last known well")
    last.require(seen_to_fail | (known >= begun), f"it must not come before {start.name!r}")
    found = follow_up.clark_completeness(
        begun.tolist(), known.tolist(), failure.tolist(), close, asked.horizon
    )
    return answer(picked(found, "observed_days", "potential_days", "completeness"), found)


def _days(dates: Dates) -> FloatArray:
    """Days since 1970, NaN where missing."""
    return np.where(np.isnat(dates), np.nan, dates.astype(np.int64).astype(np.float64))


def anonymity(table: Table, asked: Asked) -> Answer:
    """Every value is text, and an empty one a value like others."""
    keys, sensitive = asked.keys or (), asked.sensitive
    names = [*keys, *filter(None, [sensitive])]
    frame = pd.DataFrame({name: table.column(name).text for name in names})
    found = hiding.anonymity(frame, keys, sensitive)
    return answer(picked(found, "k", "classes", "distinct_l", "t_closeness"), found)
