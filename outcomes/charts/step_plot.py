"""Several step curves in one drawing, with the numbers at risk in rows under the axis."""

from collections.abc import Iterator, Sequence
from itertools import accumulate
from operator import itemgetter
from typing import Any

from outcomes.charts.step_curves import Drawn, Trace, at_risk, curve_traces, tick_months

# Heights in pixels: the curves, the axis with its title, and one row of numbers at risk for each group.
CURVES_PX, AXIS_PX, ROW_PX = 340, 84, 24
MARGIN_PX = 12
# Labels at the ends of curves keep this distance (share of the y axis), so that they do not overlap.
LABEL_GAP = 0.065
# A label stands on its place: higher up it would leave the axis.
HIGHEST_LABEL = 0.97
STANDING, FAILED = "Repairs still standing", "One less the share standing"


def step_plot(curves: Sequence[Drawn], *, as_failure: bool = False) -> Trace:
    """All curves in one drawing, with the numbers at risk in rows under the axis; empty without curves."""
    if not curves:
        return {}
    ticks = tick_months(of.group for of in curves)
    lines = [trace for of in curves for trace in curve_traces(of)]
    numbers = [trace for row, of in enumerate(curves) for trace in _at_risk_traces(of, row, ticks)]
    return {
        "data": lines + numbers,
        "layout": _layout(curves, ticks, as_failure=as_failure),
        "layout_narrow": {
            "xaxis": {"tickvals": ticks[::2], "range": [-ticks[-1] * 0.14, ticks[-1] * 1.06]},
            "margin": {"l": 46, "r": 12},
            "font": {"size": 11},
        },
    }


def _layout(curves: Sequence[Drawn], ticks: list[int], *, as_failure: bool) -> dict[str, Any]:
    """Axes and labels; what every figure shares (fonts, colours, grid) is the page's business."""
    rows = len(curves)
    height = CURVES_PX + AXIS_PX + ROW_PX * rows
    table_height = ROW_PX * rows / height
    return {
        "showlegend": False,
        "height": height + 2 * MARGIN_PX,
        "margin": {"l": 64, "r": 24, "t": MARGIN_PX, "b": MARGIN_PX},
        "xaxis": {
            "title": {"text": "Months since the operation", "standoff": 6},
            "tickvals": ticks,
            # Starts before 0, so that the first number at risk stands clear of the names beside it.
            "range": [-ticks[-1] * 0.05, ticks[-1] * 1.02],
            "anchor": "y",
            "showgrid": False,
            "ticks": "outside",
        },
        "yaxis": {
            "title": {"text": FAILED if as_failure else STANDING},
            "range": [0, 1.02],
            "tickformat": ".0%",
            "domain": [1 - CURVES_PX / height, 1],
        },
        "yaxis2": {
            "domain": [0, table_height],
            "range": [0.5 - rows, 0.5],
            "showgrid": False,
            "automargin": True,
            "tickvals": [-row for row in range(rows)],
            "ticktext": [of.label for of in curves],
        },
        "annotations": [_at_risk_title(table_height), *_labels(curves, upward=as_failure)],
    }


def _at_risk_title(table_height: float) -> Trace:
    return {
        "text": "Number at risk",
        "xref": "paper",
        "yref": "paper",
        "x": 0,
        "y": table_height + 0.01,
        "xanchor": "left",
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": 11, "color": "var:ink-soft"},
    }


def _labels(curves: Sequence[Drawn], *, upward: bool) -> Iterator[Trace]:
    """The name of each group at the end of its curve, pushed apart where curves end together."""
    ends = sorted(((of.share[-1] + 0.01, of) for of in curves), key=itemgetter(0))
    places = _apart([place for place, _ in ends], upward=upward)
    for place, (_, of) in zip(places, ends, strict=True):
        yield {
            "text": of.label,
            "x": of.months[-1],
            "y": place,
            "xanchor": "right",
            "yanchor": "bottom",
            "showarrow": False,
            "font": {"color": of.look.colour, "weight": 700},
        }


def _apart(wanted: Sequence[float], *, upward: bool) -> list[float]:
    """Rising places at least LABEL_GAP apart, pushed away from where the curves came from, on the axis."""
    rungs = [LABEL_GAP * rung for rung in range(len(wanted))]
    if upward:
        lifted = accumulate(wanted, lambda below, own: max(own, below + LABEL_GAP))
        return [min(place, HIGHEST_LABEL - rung) for place, rung in zip(lifted, reversed(rungs), strict=True)]
    lowered = accumulate(reversed(wanted), lambda above, own: min(own, above - LABEL_GAP))
    kept = [min(place, HIGHEST_LABEL - rung) for place, rung in zip(lowered, rungs, strict=True)]
    return [max(place, rung) for place, rung in zip(reversed(kept), rungs, strict=True)]


def _at_risk_traces(of: Drawn, row: int, ticks: list[int]) -> Iterator[Trace]:
    """Numbers at risk under the axis; every second column stays away on a narrow screen."""
    for start, on_narrow in ((0, True), (1, False)):
        months = ticks[start::2]
        yield {
            "type": "scatter",
            "mode": "text",
            "x": months,
            "y": [-row] * len(months),
            "yaxis": "y2",
            "text": [at_risk(of, month) for month in months],
            "textfont": {"color": of.look.colour},
            "hoverinfo": "skip",
            "cliponaxis": False,
            "meta": {"narrow": on_narrow},
        }
