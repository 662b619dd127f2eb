"""Repairs still standing with the times of failure unknown inside shaded boxes, beside the plain curve."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import ceil
from typing import Any

from outcomes import wording
from outcomes.analyses.looks import LooksResult
from outcomes.charts.context import context_facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from outcomes.estimators.cautions import FEW_AT_RISK
from outcomes.estimators.interval import NonParametricMLE
from outcomes.estimators.survival import LANDMARK_DAYS, SurvivalCurve
from outcomes.wording import DAYS_PER_MONTH

BETWEEN, PLAIN = "Between two days", "Plain curve"
SEEN = {BETWEEN: ("var:series-1", "solid", 2.2), PLAIN: ("var:series-3", "dot", 1.4)}
FADED = 0.35
HEIGHT_PX = 440

Trace = dict[str, Any]
# A share that stood before an interval and after it: (left day, right day, before, after).
Drop = tuple[float, float, float, float]


def looks_figure(result: LooksResult, csv_url: str = "") -> Figure:
    """Draw the survival estimated from intervals."""
    return Figure(
        name="survival-between-looks",
        title=result.title,
        plot=_plot(result.estimate, result.curve) if result.estimate and result.curve else {},
        facts=_facts(result),
        cautions=result.cautions,
        table=intervals_table(result),
        csv_url=csv_url,
    )


def intervals_table(result: LooksResult) -> DataTable:
    """Each interval that failures lie in, its share, and what stands after it."""
    columns = ("After day", "Not after day", "Share failing between", "Standing then")
    drops = list(_drops(result.estimate)) if result.estimate else []
    rows = [
        (f"{left:,.0f}", f"{right:,.0f}", wording.percent(before - after), wording.percent(after))
        for left, right, before, after in drops
    ]
    left_over = _never(result.estimate) if result.estimate else None
    if left_over is not None:
        left, mass = left_over
        rows.append((f"{left:,.0f}", "not seen to fail", wording.percent(mass), "-"))
    return DataTable(f"{result.title}: where failures lie, in days from the operation.", columns, tuple(rows))


def _drops(estimate: NonParametricMLE) -> Iterator[Drop]:
    standing = 1.0
    for (left, right), mass in zip(estimate.intervals, estimate.mass, strict=True):
        if right is not None:
            yield left, right, standing, max(standing - mass, 0.0)
            standing = max(standing - mass, 0.0)


def _never(estimate: NonParametricMLE) -> tuple[float, float] | None:
    """From when on nothing is known of the share not seen to fail, and that share."""
    (left, right), mass = estimate.intervals[-1], estimate.mass[-1]
    return (left, mass) if right is None else None


def _facts(result: LooksResult) -> tuple[tuple[str, str], ...]:
    counted = f"{result.n:,}, of which seen to have failed {result.events:,}; looked at {result.looked_at:,}"
    return (
        ("In words", _alternative(result)),
        *context_facts(result.context),
        ("Counted here", counted),
        *methods_facts(result.methods, result.references),
    )


def _alternative(result: LooksResult) -> str:
    """What the drawing shows, for who cannot see it."""
    estimate, curve = result.estimate, result.curve
    if estimate is None or curve is None:
        return f"{wording.counted(result.n, 'repair')}: too few for a curve."
    gap = result.median_gap_days
    known = "" if gap is None else f" Half of the failures are known to within {wording.months(gap)} months."
    at = LANDMARK_DAYS[2]
    if curve.time[-1] < at:
        return f"A falling line with shaded boxes; it does not reach two years.{known}"
    bounds, plain = estimate.at(at), curve.at(at).survival
    between = (
        f"{wording.percent(bounds.lower)} to {wording.percent(bounds.upper)}"
        if bounds.upper - bounds.lower >= 0.0005
        else wording.percent(bounds.upper)
    )
    return (
        "A falling line with a shaded box wherever the time of failure is unknown. "
        f"Standing at two years: {between}; by the plain curve {wording.percent(plain)}.{known}"
    )


# --- the drawing ------------------------------------------------------------------------------


def _plot(estimate: NonParametricMLE, curve: SurvivalCurve) -> dict[str, Any]:
    drops, ends = list(_drops(estimate)), _never(estimate)
    last = max([curve.time[-1], *(drop[1] for drop in drops)])
    faded_from = next(
        (day for day, left in zip(curve.time, curve.at_risk, strict=True) if left < FEW_AT_RISK), last
    )
    levels = _levels(drops, ends[0] if ends else last)
    traces = [
        _boxes(drops),
        _between([level for level in levels if level[0] < faded_from], 1.0),
        _between([level for level in levels if level[0] >= faded_from], FADED),
        *_plain(curve, faded_from),
    ]
    return {
        "data": [trace for trace in traces if trace["x"]],
        "layout": _layout(last, drops[-1][3] if drops else 1.0, curve.survival[-1]),
        "layout_narrow": {"margin": {"l": 46, "r": 12}, "font": {"size": 11}},
    }


def _levels(drops: Sequence[Drop], last: float) -> list[tuple[float, float, float]]:
    """Where the share is known: from a day to a day, at what share."""
    corners = [(0.0, 0.0, 1.0, 1.0), *drops, (last, last, 0.0, 0.0)]
    return [(end, start, after) for (_, end, _, after), (start, _, _, _) in pairwise(corners) if start >= end]


def _boxes(drops: Sequence[Drop]) -> Trace:
    """One box an interval: its height is the share that fails somewhere in its width."""
    x: list[float | None] = []
    y: list[float | None] = []
    for left, right, before, after in drops:
        x += [*map(_at, (left, right, right, left, left)), None]
        y += [before, before, after, after, before, None]
    colour, _, _ = SEEN[BETWEEN]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": y,
        "fill": "toself",
        "fillcolor": f"{colour}/0.22",
        "line": {"width": 0.6, "color": f"{colour}/0.6"},
        "hoverinfo": "skip",
    }


def _between(levels: Sequence[tuple[float, float, float]], opacity: float) -> Trace:
    x: list[float | None] = []
    y: list[float | None] = []
    for start, end, share in levels:
        x += [_at(start), _at(end), None]
        y += [share, share, None]
    return _line(BETWEEN, x, y, opacity)


def _plain(curve: SurvivalCurve, faded_from: float) -> Iterator[Trace]:
    steps = [(0.0, 1.0), *zip(curve.time, curve.survival, strict=True)]
    sure = [step for step in steps if step[0] <= faded_from]
    for part, opacity in ((sure, 1.0), ([*sure[-1:], *steps[len(sure) :]], FADED)):
        if len(part) > 1:
            line = _line(PLAIN, [_at(day) for day, _ in part], [share for _, share in part], opacity)
            yield {**line, "line": {**line["line"], "shape": "hv"}}


def _line(name: str, x: list[Any], y: list[Any], opacity: float) -> Trace:
    colour, dash, width = SEEN[name]
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": x,
        "y": y,
        "line": {"color": colour, "dash": dash, "width": width},
        "opacity": opacity,
        "hovertemplate": f"{name}: %{{y:.1%}} at %{{x:.1f}} months<extra></extra>",
    }


def _at(day: float) -> float:
    """A hundredth of a month is finer than any screen."""
    return round(day / DAYS_PER_MONTH, 2)


def _layout(last: float, between: float, plain: float) -> dict[str, Any]:
    months = last / DAYS_PER_MONTH
    step = 6 if months <= 30 else 12
    ticks = list(range(0, step * ceil(max(months, 1) / step) + 1, step))
    return {
        "showlegend": False,
        "height": HEIGHT_PX,
        "margin": {"l": 64, "r": 24, "t": 12, "b": 52},
        "xaxis": {
            "title": {"text": "Months since the operation", "standoff": 6},
            "tickvals": ticks,
            "range": [0, ticks[-1] * 1.02],
            "showgrid": False,
            "ticks": "outside",
        },
        "yaxis": {"title": {"text": "Repairs still standing"}, "range": [0, 1.02], "tickformat": ".0%"},
        "annotations": [
            _label(BETWEEN, months, between, below=between <= plain),
            _label(PLAIN, months, plain, below=plain < between),
        ],
    }


def _label(name: str, months: float, share: float, *, below: bool) -> Trace:
    """The name of a line beside its end, above or below it."""
    return {
        "text": name,
        "x": months,
        "y": share - 0.015 if below else share + 0.015,
        "xanchor": "right",
        "yanchor": "top" if below else "bottom",
        "showarrow": False,
        "font": {"color": SEEN[name][0], "weight": 700},
    }
