"""Many curves side by side: a panel each, with all others thin and grey behind it and its numbers at risk."""

from collections.abc import Iterator, Sequence
from math import ceil
from textwrap import wrap
from typing import Any

from outcomes.charts.step_curves import (
    Drawn,
    Trace,
    at_risk,
    curve_traces,
    tick_months,
)
from outcomes.charts.step_plot import AXIS, FAILED, STANDING
from outcomes.charts.thinning import half_a_pixel, rounded

MOST_PANELS = 12
COLUMNS, NARROW_COLUMNS = 3, 2
# Heights in pixels: a panel, over it its name in up to three lines, under it months and numbers at risk.
PANEL_PX, ABOVE_PX, BELOW_PX = 150, 54, 52
FOOT_PX = 48
# Half a pixel of a panel.
LEAST = half_a_pixel(PANEL_PX, AXIS[1] - AXIS[0])
AT_RISK_BELOW_PX = 36
GUTTER = 0.06
NAME_CHARACTERS, NARROW_NAME_CHARACTERS = 24, 14
MOST_NUMBERS, NARROW_NUMBERS = 6, 4


def small_multiples(curves: Sequence[Drawn], *, as_failure: bool = False) -> dict[str, Any]:
    """Draw up to MOST_PANELS curves, each in its own panel on the same axes; empty without curves.

    Raises
    ------
    ValueError
        When there are more curves.
    """
    if len(curves) > MOST_PANELS:
        raise ValueError(f"{len(curves)} curves: at most {MOST_PANELS} can be drawn; leave the smallest out")
    if not curves:
        return {}
    ticks = tick_months((of.group for of in curves), fewer=True)
    return {
        "data": [trace for panel in range(len(curves)) for trace in _panel(curves, panel)],
        "layout": _layout(curves, ticks, COLUMNS, as_failure=as_failure),
        "layout_narrow": {
            **_layout(curves, ticks, NARROW_COLUMNS, as_failure=as_failure),
            "font": {"size": 11},
        },
    }


def _panel(curves: Sequence[Drawn], panel: int) -> Iterator[Trace]:
    axes = {"xaxis": f"x{_nth(panel)}", "yaxis": f"y{_nth(panel)}"}
    yield _behind([of for place, of in enumerate(curves) if place != panel], axes)
    yield from curve_traces(curves[panel], LEAST, **axes)


def _behind(others: Sequence[Drawn], axes: dict[str, str]) -> Trace:
    """All other curves as one line with gaps, only where they step."""
    x: list[float | None] = []
    y: list[float | None] = []
    for of in others:
        points = of.line(0, len(of.months) - 1, LEAST)
        x += [*(month for month, _ in points), None]
        y += [*(share for _, share in points), None]
    return {
        **axes,
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": rounded(y),
        "line": {"shape": "hv", "color": "var:ink-soft/0.35", "width": 1},
        "hoverinfo": "skip",
    }


def _nth(panel: int) -> str:
    """How plotly numbers axes: none for the first, 2 for the second."""
    return str(panel + 1) if panel else ""


# --- the grid ---------------------------------------------------------------------------------


def _layout(curves: Sequence[Drawn], ticks: list[int], columns: int, *, as_failure: bool) -> dict[str, Any]:
    rows = ceil(len(curves) / columns)
    row_px = ABOVE_PX + PANEL_PX + BELOW_PX
    layout: dict[str, Any] = {
        "showlegend": False,
        "height": rows * row_px + FOOT_PX,
        "margin": {"l": 48, "r": 12, "t": 0, "b": FOOT_PX},
        "annotations": [_axis_name(as_failure=as_failure)],
    }
    last = max(of.months[-1] for of in curves)
    is_wide = columns == COLUMNS
    numbers = _few([tick for tick in ticks if tick <= last], MOST_NUMBERS if is_wide else NARROW_NUMBERS)
    characters = NAME_CHARACTERS if is_wide else NARROW_NAME_CHARACTERS
    for panel, of in enumerate(curves):
        column, row = panel % columns, panel // columns
        top = 1 - (row * row_px + ABOVE_PX) / (rows * row_px)
        layout[f"xaxis{_nth(panel)}"] = _months_axis(panel, _across(column, columns), numbers, last)
        layout[f"yaxis{_nth(panel)}"] = _share_axis(panel, top, PANEL_PX / (rows * row_px), column)
        layout["annotations"] += [_name(of, panel, characters), *_numbers(of, panel, numbers)]
    return layout


def _across(column: int, columns: int) -> list[float]:
    width = (1 - GUTTER * (columns - 1)) / columns
    return [round(column * (width + GUTTER), 4), round(column * (width + GUTTER) + width, 4)]


def _few(ticks: Sequence[int], most: int) -> list[int]:
    """Every so many of the ticks, so that their numbers fit under a panel."""
    return list(ticks[:: ceil(len(ticks) / most)])


def _months_axis(panel: int, domain: list[float], numbers: list[int], last: float) -> dict[str, Any]:
    return {
        "tickvals": numbers,
        "range": [round(-last * 0.04, 2), round(last * 1.04, 2)],
        "domain": domain,
        "anchor": f"y{_nth(panel)}",
        "showgrid": False,
        "ticks": "outside",
    }


def _share_axis(panel: int, top: float, height: float, column: int) -> dict[str, Any]:
    return {
        "range": [*AXIS],
        "tickvals": [0, 0.5, 1],
        "tickformat": ".0%",
        "showticklabels": column == 0,
        "domain": [round(top - height, 4), round(top, 4)],
        "anchor": f"x{_nth(panel)}",
    }


def _axis_name(*, as_failure: bool) -> Trace:
    """What both axes and the lowest numbers are, once for all panels."""
    axis = FAILED if as_failure else STANDING
    return {
        "text": "<br>".join((f"{axis};", "months since the operation;", "under them: at risk")),
        "xref": "paper",
        "yref": "paper",
        "x": 0,
        "y": 0,
        "xanchor": "left",
        "yanchor": "top",
        "align": "left",
        "yshift": 2,
        "showarrow": False,
        "font": {"size": 11, "color": "var:ink-soft"},
    }


def _name(of: Drawn, panel: int, characters: int) -> Trace:
    name = "<br>".join(wrap(f"{of.label} ({of.curve.n:,})", characters))
    return {
        "text": name,
        "xref": f"x{_nth(panel)} domain",
        "yref": f"y{_nth(panel)} domain",
        "x": 0,
        "y": 1,
        "xanchor": "left",
        "yanchor": "bottom",
        "align": "left",
        "yshift": 3,
        "showarrow": False,
        "font": {"size": 12, "weight": 700, "color": of.look.colour},
    }


def _numbers(of: Drawn, panel: int, months: Sequence[int]) -> Iterator[Trace]:
    for month in months:
        yield {
            "text": at_risk(of, month),
            "xref": f"x{_nth(panel)}",
            "yref": f"y{_nth(panel)} domain",
            "x": month,
            "y": 0,
            "yanchor": "middle",
            "yshift": -AT_RISK_BELOW_PX,
            "showarrow": False,
            "font": {"size": 11, "color": of.look.colour},
        }
