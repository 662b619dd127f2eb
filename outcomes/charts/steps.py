"""Step lines that rise over months since the operation: band, fading end, numbers at risk below."""

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil
from typing import Any

from outcomes.charts.thinning import Point, half_a_pixel, rounded, thinned
from outcomes.estimators.cautions import FEW_AT_RISK
from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.wording import DAYS_PER_MONTH

# Line styles are the second cue beside colour; with as many colours no two of 24 lines look alike.
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
SERIES = 8
# Heights in pixels: the lines, the axis with its title, and one row of numbers at risk.
CURVES_PX, AXIS_PX, ROW_PX, MARGIN_PX = 340, 84, 24, 12
# Labels keep this distance, as a share of the axis, so that they do not overlap.
LABEL_GAP = 0.055
FADED = 0.35
# Above the highest limit at least this part of a tenth stays free.
ROOM_TENTHS = 0.2

Trace = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Look:
    """How one line is drawn."""

    colour: str
    dash: str


def look(place: int) -> Look:
    """The look of the line at this place of its list; it keeps it when another is not drawn."""
    return Look(f"var:series-{place % SERIES + 1}", DASHES[place % len(DASHES)])


@dataclass(frozen=True, slots=True)
class StepLine:
    """A rising share in steps: 0 from the operation on, then the entry of each day in `days`.

    Limits are None where they are not defined; `at_risk` has an entry a day too.
    """

    label: str
    look: Look
    days: tuple[float, ...]
    share: tuple[float, ...]
    lower: tuple[float | None, ...]
    upper: tuple[float | None, ...]
    at_risk: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class AtRiskRow:
    """A row of numbers at risk: its name, its colour, and the number on a day."""

    label: str
    colour: str
    on_day: Callable[[float], int]


def steps_plot(lines: Sequence[StepLine], rows: Sequence[AtRiskRow], y_title: str) -> dict[str, Any]:
    """Data and layouts of lines that rise from 0, with numbers at risk; nothing where no line is shown."""
    if not lines:
        return {}
    ticks = tick_months(max(line.days[-1] for line in lines))
    top = _top(lines)
    least = half_a_pixel(CURVES_PX, top)
    traces = [trace for line in lines for trace in _line_traces(line, least)]
    return over_numbers_at_risk(traces, rows, ticks, [0, top], y_title, list(_labels(lines, top)))


def over_numbers_at_risk(
    traces: Sequence[Trace],
    rows: Sequence[AtRiskRow],
    ticks: list[int],
    y_range: list[float],
    y_title: str,
    labels: Sequence[Trace],
) -> dict[str, Any]:
    """Data and layouts of anything drawn over months, with the numbers at risk in rows under the axis."""
    numbers = [trace for place, row in enumerate(rows) for trace in _at_risk_traces(row, place, ticks)]
    return {
        "data": [*traces, *numbers],
        "layout": _layout(rows, ticks, y_range, y_title, labels),
        "layout_narrow": {
            "xaxis": {"tickvals": ticks[::2], "range": [-ticks[-1] * 0.14, ticks[-1] * 1.06]},
            "margin": {"l": 46, "r": 12},
            "font": {"size": 11},
        },
    }


def tick_months(last_day: float, *, fewer: bool = False) -> list[int]:
    """Months of the axis: every half year of short follow-up, else every year, or half as many."""
    last = last_day / DAYS_PER_MONTH
    step = (6 if last <= 30 else 12) * (2 if fewer else 1)
    return list(range(0, step * ceil(max(last, 1) / step) + 1, step))


def _top(lines: Sequence[StepLine]) -> float:
    """Where the axis ends: a whole tenth with room above every sure limit; little must not look like much."""
    highest = [max(line.share) for line in lines]
    highest += [
        limit
        for line in lines
        for limit in line.upper[: _sure_steps(line)]
        if limit is not None and limit < 1
    ]
    return min(1.0, ceil(10 * max(highest) + ROOM_TENTHS) / 10)


def _sure_steps(line: StepLine) -> int:
    """How many steps until fewer than FEW_AT_RISK are at risk for good: late entries may bring them back."""
    enough = [place for place, at_risk in enumerate(line.at_risk) if at_risk >= FEW_AT_RISK]
    return enough[-1] + 1 if enough else 0


def _line_traces(line: StepLine, least: float) -> Iterator[Trace]:
    points = list(zip([0.0, *_months(line.days)], [0.0, *line.share], strict=True))
    sure = _sure_steps(line)
    yield _band(line, sure, least)
    yield _drawn(line, points[: sure + 1], least, 1.0)
    if sure < len(line.days):
        yield _drawn(line, points[sure:], least, FADED)


def _turning(points: Sequence[Point], least: float) -> list[Point]:
    """The points at which anything visibly changes, and both ends: a line through them looks the same."""
    changed = [point for before, point in pairwise(points) if point[1:] != before[1:]]
    turns = list(dict.fromkeys((points[0], *changed, points[-1])))
    return thinned(turns, least, holding([month for month, *_ in turns]))


def holding(months: Sequence[float]) -> set[float]:
    """The months of the steps that hold at the landmarks."""
    before = [bisect_right(months, round(day / DAYS_PER_MONTH, 2)) - 1 for day in LANDMARK_DAYS.values()]
    return {months[place] for place in before if place >= 0}


def _drawn(line: StepLine, points: Sequence[Point], least: float, opacity: float) -> Trace:
    turns = _turning(points, least)
    return {
        "type": "scatter",
        "mode": "lines",
        "name": line.label,
        "x": [month for month, _ in turns],
        "y": [share for _, share in turns],
        "line": {"shape": "hv", "color": line.look.colour, "dash": line.look.dash, "width": 2.2},
        "opacity": opacity,
        "hovertemplate": f"{line.label}: %{{y:.1%}} at %{{x:.1f}} months<extra></extra>",
    }


def _band(line: StepLine, sure: int, least: float) -> Trace:
    """The limits as an area; before the first event both are the line itself."""
    limits: list[Point] = [(0.0, 0.0, 0.0)]
    columns = zip(_months(line.days), line.share, line.lower, line.upper, strict=True)
    for month, share, lower, upper in list(columns)[:sure]:
        if share == 0:
            limits.append((month, 0.0, 0.0))
        elif lower is not None and upper is not None:
            limits.append((month, lower, upper))
    turns = _turning(limits, least)
    top = stairs([(month, upper) for month, _, upper in turns])
    bottom = stairs([(month, lower) for month, lower, _ in turns])
    outline = [*top, *reversed(bottom)]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": [month for month, _ in outline],
        "y": rounded([share for _, share in outline]),
        "fill": "toself",
        "fillcolor": f"{line.look.colour}/0.14",
        "line": {"width": 0},
        "hoverinfo": "skip",
    }


def stairs(points: Sequence[tuple[float, Any]]) -> list[tuple[float, Any]]:
    """Corner points of a step line: level until the next time, then to its share."""
    corners = list(points[:1])
    for (_, share), (month, next_share) in pairwise(points):
        corners += [(month, share), (month, next_share)]
    return corners


def _at_risk_traces(row: AtRiskRow, place: int, ticks: list[int]) -> Iterator[Trace]:
    """Numbers at risk under the axis; every second column stays away on a narrow screen."""
    for start, on_narrow in ((0, True), (1, False)):
        months = ticks[start::2]
        yield {
            "type": "scatter",
            "mode": "text",
            "x": months,
            "y": [-place] * len(months),
            "yaxis": "y2",
            "text": [f"{row.on_day(month * DAYS_PER_MONTH):,}" for month in months],
            "textfont": {"color": row.colour},
            "hoverinfo": "skip",
            "cliponaxis": False,
            "meta": {"narrow": on_narrow},
        }


def _layout(
    rows: Sequence[AtRiskRow],
    ticks: list[int],
    y_range: list[float],
    y_title: str,
    labels: Sequence[Trace],
) -> dict[str, Any]:
    """Axes and labels; what every figure shares (fonts, colours, grid) is the page's business."""
    height = CURVES_PX + AXIS_PX + ROW_PX * len(rows)
    table_height = ROW_PX * len(rows) / height
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
            "title": {"text": y_title},
            "range": y_range,
            "tickformat": ".0%",
            "domain": [1 - CURVES_PX / height, 1],
        },
        "yaxis2": {
            "domain": [0, table_height],
            "range": [0.5 - len(rows), 0.5],
            "showgrid": False,
            "automargin": True,
            "tickvals": [-place for place in range(len(rows))],
            "ticktext": [row.label for row in rows],
        },
        "annotations": [_at_risk_title(table_height), *labels],
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


def _labels(lines: Sequence[StepLine], top: float) -> Iterator[Trace]:
    """The name of each line above its end, the lowest first, pushed up where lines end together."""
    floor = 0.0
    for line in sorted(lines, key=lambda each: each.share[-1]):
        place = max(line.share[-1], floor)
        floor = place + LABEL_GAP * top
        yield {
            "text": line.label,
            "x": line.days[-1] / DAYS_PER_MONTH,
            "y": place,
            "xanchor": "right",
            "yanchor": "bottom",
            "showarrow": False,
            "font": {"color": line.look.colour, "weight": 700},
        }


def _months(days: Sequence[float]) -> list[float]:
    """A hundredth of a month is finer than any screen."""
    return [round(day / DAYS_PER_MONTH, 2) for day in days]
