"""The drawing of a knee's scores: a compact panel a scale, on one axis of months, with lines and bands."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from math import ceil, floor
from typing import Any

from outcomes.charts.flags import ROW_PX, placed
from outcomes.charts.score_answers import Intervention, ScoreCurve
from outcomes.thresholds import Kind, used
from outcomes.wording import DAYS_PER_MONTH
from registry.scoring import Scale

# Heights in pixels: the panel of an only scale, one of several with its name above, the axis with its title.
ONLY_PX, PANEL_PX, NAME_PX, AXIS_PX = 260, 118, 30, 56
MARGIN_PX, AXIS_LEFT_PX, NARROW_LEFT_PX = 12, 56, 40
COLUMNS = 2
GUTTER = 0.12
# The least a panel's width comes to: of an only scale on a wide screen, and else.
WIDE_PX, NARROW_PX = 450, 200
# What cannot be scored is marked this far under the lowest value (share of the scale), so never on it.
BELOW_SCALE = 0.14
ABOVE_SCALE = 0.03
TICK_STEPS_MONTHS = (1, 3, 6, 12, 24, 60, 120)
MOST_TICKS = 8
# So that a score on the day of the operation has an axis to lie on.
SHORTEST_AXIS_MONTHS = 3.0
NARROW_FONT = {"size": 11}

Trace = dict[str, Any]


def months_since(operated_on: date, day: date) -> float:
    """Months to a hundredth, which is finer than any screen."""
    return round((day - operated_on).days / DAYS_PER_MONTH, 2)


@dataclass(frozen=True, slots=True)
class _Grid:
    """Where panels lie: row by row in so many columns, shares of the plot from the bottom left."""

    panels: int
    columns: int

    @property
    def rows(self) -> int:
        return ceil(self.panels / self.columns)

    @property
    def row_px(self) -> int:
        return ONLY_PX if self.panels == 1 else PANEL_PX + NAME_PX

    @property
    def height_px(self) -> int:
        return self.rows * self.row_px

    def column(self, panel: int) -> int:
        return panel % self.columns

    def across(self, column: int) -> list[float]:
        """From where to where a column goes."""
        width = (1 - GUTTER * (self.columns - 1)) / self.columns
        return [round(column * (width + GUTTER), 4), round(column * (width + GUTTER) + width, 4)]

    def up(self, panel: int) -> list[float]:
        """From where to where a panel goes."""
        bottom = self.height_px - (panel // self.columns + 1) * self.row_px
        top = bottom + (ONLY_PX if self.panels == 1 else PANEL_PX)
        return [round(bottom / self.height_px, 4), round(top / self.height_px, 4)]

    def lowest(self, column: int) -> int:
        """The last panel of a column."""
        return max(panel for panel in range(self.panels) if self.column(panel) == column)


def panels(curve: ScoreCurve, operated_on: date) -> dict[str, Any]:
    """Data and layouts: two columns of panels on a wide screen, one on a narrow."""
    days = [answer.answered_on for answer in curve.answers] + [mark.on for mark in curve.marks]
    months = [months_since(operated_on, day) for day in days]
    start, end = _axis(months)
    ticks, step = _ticks(start, end)
    marks = [(months_since(operated_on, mark.on), mark.what) for mark in sorted(set(curve.marks))]
    scales = curve.instrument.scales
    wide = _Grid(len(scales), min(COLUMNS, len(scales)))
    narrow = _Grid(len(scales), 1)
    few_ticks = [tick for tick in ticks if tick % (2 * step) == 0]
    across = few_ticks if wide.columns > 1 else ticks
    return {
        "data": [
            trace
            for panel, scale in enumerate(scales)
            for trace in _traces(curve, scale, operated_on, _axes(wide, panel))
        ],
        "layout": {
            "showlegend": False,
            **_laid_out(curve, wide, marks, (start, end), across),
        },
        "layout_narrow": {
            **_laid_out(curve, narrow, marks, (start, end), few_ticks, drawn_on=wide),
            "font": NARROW_FONT,
        },
    }


def _axes(grid: _Grid, panel: int) -> tuple[str, str]:
    """Names of a panel's axes: one of months for each column, one of the scale for each panel."""
    return f"x{_nth(grid.column(panel))}", f"y{_nth(panel)}"


def _nth(place: int) -> str:
    """How plotly numbers axes: none for the first, 2 for the second."""
    return str(place + 1) if place else ""


# --- the axes ---------------------------------------------------------------------------------


def _axis(months: Sequence[float]) -> tuple[float, float]:
    """First and last month drawn, with room so that no point lies on the frame."""
    first, last = min(months), max(months)
    last = max(last, first + SHORTEST_AXIS_MONTHS)
    room = 0.04 * (last - first)
    return round(first - room, 2), round(last + room, 2)


def _ticks(start: float, end: float) -> tuple[list[int], int]:
    """Months at multiples of the finest step that is not too many ticks, and that step; 0 is always one."""
    coarsest = TICK_STEPS_MONTHS[-1]
    step = next((step for step in TICK_STEPS_MONTHS if (end - start) / step <= MOST_TICKS), coarsest)
    return list(range(step * ceil(start / step), step * floor(end / step) + 1, step)), step


def _laid_out(
    curve: ScoreCurve,
    grid: _Grid,
    marks: Sequence[tuple[float, Intervention]],
    axis: tuple[float, float],
    ticks: Sequence[int],
    drawn_on: _Grid | None = None,
) -> dict[str, Any]:
    """The part of a layout that the grid decides; `drawn_on` is the grid that the traces' axes come from."""
    axes_of = drawn_on or grid
    flags = placed(marks, axis, WIDE_PX if grid.panels == 1 and not drawn_on else NARROW_PX)
    above_px = MARGIN_PX + ROW_PX * (1 + max(flag.row for flag in flags))
    left_px = NARROW_LEFT_PX if drawn_on or grid.panels > 1 else AXIS_LEFT_PX
    layout: dict[str, Any] = {
        "height": above_px + grid.height_px + AXIS_PX,
        "margin": {"l": left_px, "r": MARGIN_PX, "t": above_px, "b": AXIS_PX},
        "shapes": [],
        "annotations": [],
    }
    for column in range(axes_of.columns):
        # Where panels of two columns come to lie in one, the second axis of months would hide the first.
        shown = column < grid.columns
        layout[f"xaxis{_nth(column)}"] = _month_axis(grid, column if shown else 0, axis, ticks, visible=shown)
        if shown:
            foot = grid.up(grid.lowest(column))[0]
            layout["shapes"] += [flag.line(f"x{_nth(column)}", foot, grid.height_px) for flag in flags]
            layout["annotations"] += [flag.label(f"x{_nth(column)}", grid.height_px) for flag in flags]
    for panel, scale in enumerate(curve.instrument.scales):
        x, y = _axes(axes_of, panel)
        layout[f"yaxis{_nth(panel)}"] = {**_scale_axis(curve, scale), "domain": grid.up(panel), "anchor": x}
        layout["shapes"] += _thresholds(curve, scale, x, y)
        layout["annotations"] += _names(curve, scale, x, y)
    return layout


def _month_axis(
    grid: _Grid, column: int, axis: tuple[float, float], ticks: Sequence[int], *, visible: bool
) -> dict[str, Any]:
    return {
        "title": {"text": "Months since the first operation", "standoff": 6},
        "tickvals": list(ticks),
        "range": list(axis),
        "domain": grid.across(column),
        "anchor": f"y{_nth(grid.lowest(column))}",
        "showgrid": False,
        "ticks": "outside",
        "visible": visible,
    }


def _scale_axis(curve: ScoreCurve, scale: Scale) -> dict[str, Any]:
    """The whole scale; under it, where there is something to mark, a place for what cannot be scored."""
    span, parts = scale.highest - scale.lowest, 5 if len(curve.instrument.scales) == 1 else 2
    places = [scale.lowest + span * part / parts for part in range(parts + 1)]
    labels = [f"{place:g}" for place in places]
    if curve.not_scorable(scale):
        places, labels = [_below(scale), *places], [_unscored_label(curve), *labels]
    return {
        "title": {"text": curve.name(scale) if len(curve.instrument.scales) == 1 else ""},
        "range": [places[0] - ABOVE_SCALE * span, scale.highest + ABOVE_SCALE * span],
        "tickvals": places,
        "ticktext": labels,
        "automargin": True,
    }


def _unscored_label(curve: ScoreCurve) -> str:
    return "not<br>scorable" if len(curve.instrument.scales) == 1 else "no score"


def _below(scale: Scale) -> float:
    return scale.lowest - BELOW_SCALE * (scale.highest - scale.lowest)


# --- scores -----------------------------------------------------------------------------------


def _traces(curve: ScoreCurve, scale: Scale, operated_on: date, axes: tuple[str, str]) -> Iterator[Trace]:
    name = curve.name(scale)
    scored, lacking = curve.scored(scale), curve.not_scorable(scale)
    shared = {"type": "scatter", "xaxis": axes[0], "yaxis": axes[1], "cliponaxis": False}
    yield {
        **shared,
        "mode": "lines+markers",
        "name": name,
        "x": [months_since(operated_on, day) for day, _ in scored],
        "y": [value for _, value in scored],
        "line": {"shape": "linear", "color": "var:series-1", "width": 2.2},
        "marker": {"symbol": "circle", "size": 8, "color": "var:series-1"},
        "hovertemplate": f"{name}: %{{y:.1f}} at %{{x:.1f}} months<extra></extra>",
    }
    if lacking:
        yield {
            **shared,
            "mode": "markers",
            "name": "not scorable",
            "x": [months_since(operated_on, day) for day in lacking],
            "y": [_below(scale)] * len(lacking),
            "marker": {"symbol": "circle-open", "size": 9, "color": "var:series-1", "line": {"width": 2}},
            "hovertemplate": "not scorable at %{x:.1f} months<extra></extra>",
        }


def _thresholds(curve: ScoreCurve, scale: Scale, x: str, y: str) -> Iterator[dict[str, Any]]:
    """The line of the acceptable state, and the band of measurement error round the first score."""
    code = curve.instrument.code
    passing, error = used(Kind.PASS, code, scale.code), used(Kind.SDC, code, scale.code)
    across = {"layer": "below", "xref": f"{x} domain", "x0": 0, "x1": 1, "yref": y}
    if error and error.value is not None and (scored := curve.scored(scale)):
        first = scored[0][1]
        yield {
            **across,
            "type": "rect",
            "y0": max(first - error.value, scale.lowest),
            "y1": min(first + error.value, scale.highest),
            "fillcolor": "var:series-1/0.12",
            "line": {"color": "var:series-1", "width": 1, "dash": "dot"},
        }
    if passing:
        line = {"color": "var:ink", "width": 1.3, "dash": "dashdot"}
        yield {**across, "type": "line", "y0": passing.value, "y1": passing.value, "line": line}


def _names(curve: ScoreCurve, scale: Scale, x: str, y: str) -> Iterator[dict[str, Any]]:
    """The scale's name over its panel where there are several, and what line and band are."""
    code = curve.instrument.code
    passing, error = used(Kind.PASS, code, scale.code), used(Kind.SDC, code, scale.code)
    line = f"PASS {passing.operator} {passing.value:g}" if passing else ""
    band = f"error ± {error.value:.1f}" if error and error.value is not None else ""
    over = {"xref": f"{x} domain", "yanchor": "bottom", "showarrow": False, "font": {"size": 11}}
    at_right = {**over, "x": 1, "xanchor": "right"}
    if len(curve.instrument.scales) > 1:
        above = {"yref": f"{y} domain", "y": 1}
        name = {"text": scale.name, "x": 0, "xanchor": "left", "font": {"size": 12, "weight": 700}}
        yield {**over, **above, **name}
        if line or band:
            yield {**at_right, **above, "text": ", ".join(filter(None, (line, band)))}
        return
    if passing:
        yield {**at_right, "yref": y, "y": passing.value, "text": line}
    if band and (scored := curve.scored(scale)):
        yield {**at_right, "yref": y, "y": scored[0][1], "text": band}
