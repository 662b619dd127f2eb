"""The sequence monitor: both paths with their limits, and observed minus expected failures added up."""

from collections.abc import Iterator, Sequence
from typing import Any

from django.utils.formats import date_format

from outcomes.analyses.context import Context
from outcomes.charts.figure import Figure
from outcomes.charts.monitor_words import in_words, monitor_facts, signal_table, year_table
from outcomes.charts.whose import Whose
from outcomes.own.expected import Expectation
from outcomes.own.funnel import SMALL_NUMBERS
from outcomes.own.monitor import Monitor

CSV_COLUMNS = (
    "result",
    "known_on",
    "failed",
    "expected_risk",
    "path_odds_doubled",
    "signal_odds_doubled",
    "path_odds_halved",
    "signal_odds_halved",
    "observed_minus_expected",
)
HEIGHT_PX = 380

NARROW = {
    "margin": {"l": 46, "r": 12},
    "font": {"size": 11},
    "xaxis": {"title": {"text": "Results, in the order known"}},
}

Trace = dict[str, Any]


def monitor_figure(
    monitor: Monitor, context: Context, model: Expectation, whose: Whose, csv_url: str = ""
) -> Figure:
    """Draw the upward path above 0, the downward one below, each with its limit."""
    return Figure(
        name="own-monitor",
        title=f"{whose.starting} two-year results, one after another: is the run drifting?",
        plot=_monitor_plot(monitor),
        facts=monitor_facts(in_words(monitor), monitor, context, model),
        cautions=(SMALL_NUMBERS, *monitor.cautions),
        table=signal_table(monitor),
        csv_url=csv_url,
    )


def excess_figure(
    monitor: Monitor, context: Context, model: Expectation, whose: Whose, csv_url: str = ""
) -> Figure:
    """Draw observed minus expected failures over the same results."""
    more = "more" if monitor.excess[-1] >= 0 else "fewer"
    words = (
        f"{monitor.observed:,} failures seen, {monitor.expected:.1f} expected: in the end "
        f"{abs(monitor.excess[-1]):.1f} {more} than expected."
    )
    return Figure(
        name="own-excess",
        title=f"{whose.starting} failures over those expected, added up",
        plot=_excess_plot(monitor),
        facts=monitor_facts(words, monitor, context, model),
        cautions=(SMALL_NUMBERS, *monitor.cautions),
        table=year_table(monitor),
        csv_url=csv_url,
    )


def monitor_rows(monitor: Monitor) -> Iterator[tuple[object, ...]]:
    """Each result at full precision, as CSV_COLUMNS name them; a path falls back to 0 after a signal."""
    worse, better = monitor.worse, monitor.better
    for row, day in enumerate(monitor.known_on):
        yield (
            row + 1,
            day.isoformat(),
            monitor.failed[row],
            monitor.risks[row],
            worse.path.path[row],
            int(row in worse.signals),
            better.path.path[row],
            int(row in better.signals),
            monitor.excess[row],
        )


# --- drawings ---------------------------------------------------------------------------------


def _monitor_plot(monitor: Monitor) -> dict[str, Any]:
    up, down = monitor.worse, monitor.better
    upward, downward = list(up.path.path), [-height for height in down.path.path]
    reach = 1.2 * max(up.limit, down.limit, max(upward), -min(downward))
    return {
        "data": [
            _path(monitor, upward, "var:series-1", "solid"),
            _path(monitor, downward, "var:series-5", "dash"),
            _signals(up.signals, upward, "var:series-1", "triangle-up"),
            _signals(down.signals, downward, "var:series-5", "triangle-down"),
        ],
        "layout": {
            **_frame(monitor, "Evidence of a drift"),
            "yaxis": {"title": {"text": "Evidence of a drift"}, "range": [-reach, reach], "zeroline": True},
            "shapes": [_across(up.limit), _across(-down.limit)],
            "annotations": [
                _words("limit: odds doubled", up.limit, "bottom"),
                _words("limit: odds halved", -down.limit, "top"),
            ],
        },
        "layout_narrow": NARROW,
    }


def _excess_plot(monitor: Monitor) -> dict[str, Any]:
    reach = 1.15 * max(3.0, *(abs(excess) for excess in monitor.excess))
    return {
        "data": [_path(monitor, list(monitor.excess), "var:series-1", "solid")],
        "layout": {
            **_frame(monitor, "Observed minus expected failures"),
            "shapes": [_across(0, "solid")],
            "yaxis": {
                "title": {"text": "Observed minus expected failures"},
                "range": [-reach, reach],
            },
            "annotations": [
                _words("more than expected", reach, "top"),
                _words("fewer than expected", -reach, "bottom"),
            ],
        },
        "layout_narrow": NARROW,
    }


def _frame(monitor: Monitor, y_title: str) -> dict[str, Any]:
    return {
        "showlegend": False,
        "height": HEIGHT_PX,
        "margin": {"l": 64, "r": 24, "t": 16, "b": 52},
        "xaxis": {
            "title": {"text": "Results in the order in which they became known", "standoff": 6},
            "range": [0, monitor.n + 1],
            "showgrid": False,
            "ticks": "outside",
        },
        "yaxis": {"title": {"text": y_title}},
    }


def _path(monitor: Monitor, heights: Sequence[float], colour: str, dash: str) -> Trace:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": list(range(1, monitor.n + 1)),
        "y": [round(height, 4) for height in heights],
        "text": [date_format(day, "j M Y") for day in monitor.known_on],
        "line": {"color": colour, "dash": dash, "width": 2.2, "shape": "hv"},
        "hovertemplate": "Result %{x}, %{text}: %{y:.2f}<extra></extra>",
    }


def _signals(rows: Sequence[int], heights: Sequence[float], colour: str, symbol: str) -> Trace:
    return {
        "type": "scatter",
        "mode": "markers",
        "x": [row + 1 for row in rows],
        "y": [heights[row] for row in rows],
        "marker": {"symbol": symbol, "size": 12, "color": colour},
        "hovertemplate": "Signal at result %{x}<extra></extra>",
    }


def _across(value: float, dash: str = "dot") -> Trace:
    return {
        "type": "line",
        "layer": "below",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": value,
        "y1": value,
        "line": {"color": "var:ink", "width": 1.2, "dash": dash},
    }


def _words(text: str, y: float, anchor: str) -> Trace:
    return {
        "text": text,
        "xref": "paper",
        "x": 0.01,
        "y": y,
        "xanchor": "left",
        "yanchor": anchor,
        "showarrow": False,
        "font": {"size": 11, "color": "var:ink"},
    }
