"""Step curves of repairs still standing, with intervals, censor ticks and numbers at risk under the axis."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil
from operator import itemgetter
from typing import Any

from django.utils.formats import date_format

from outcomes import wording
from outcomes.charts.figure import DataTable, Figure
from outcomes.estimators.cautions import FEW_AT_RISK
from outcomes.estimators.survival import LANDMARK_DAYS, Landmark, SurvivalCurve
from outcomes.results import Group, SurvivalResult
from outcomes.wording import DAYS_PER_MONTH

# Line styles are the second cue beside colour.
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
# Heights in pixels: the curves, the axis with its title, and one row of numbers at risk for each group.
CURVES_PX, AXIS_PX, ROW_PX = 340, 84, 24
MARGIN_PX = 12
# Labels at the ends of curves keep this distance (share of the y axis), so that they do not overlap.
LABEL_GAP = 0.055
# Censor ticks closer than this many months would be one smear of ink.
TICK_GAP_MONTHS = 0.5

Trace = dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Look:
    """How one group is drawn."""

    colour: str
    dash: str


def survival_figure(result: SurvivalResult, csv_url: str = "") -> Figure:
    """Draw a survival result."""
    return Figure(
        name=f"survival-by-{result.stratum_code}",
        title=result.title,
        plot=_plot(result),
        facts=_facts(result),
        cautions=result.cautions,
        table=landmark_table(result),
        csv_url=csv_url,
    )


def landmark_table(result: SurvivalResult) -> DataTable:
    """Survival at the landmark years with interval and number at risk, for each group and for all."""
    years = [f"Standing at {wording.counted(year, 'year')}" for year in LANDMARK_DAYS]
    columns = (
        result.stratum_title.capitalize(),
        "Repairs",
        "Failures",
        *_interleaved(years),
        "Median follow-up (months)",
        "Completeness",
    )
    rows = tuple(_landmark_row(group) for group in (*result.groups, result.overall))
    return DataTable(f"{result.title}: share with 95 % interval.", columns, rows)


def _interleaved(years: Sequence[str]) -> Iterator[str]:
    for year in years:
        yield from (year, "At risk")


def _landmark_row(group: Group) -> tuple[str, ...]:
    cells = [group.label, f"{group.curve.n:,}", f"{group.curve.events:,}"]
    for point in group.curve.landmarks:
        cells += [landmark_share(group, point), f"{point.at_risk:,}"]
    if not group.is_shown:
        return (*cells, wording.TOO_FEW, wording.TOO_FEW)
    return (*cells, wording.months_with_interval(group.follow_up), wording.percent(group.completeness))


def landmark_share(group: Group, point: Landmark) -> str:
    """A group's survival at a landmark; groups too small for a percentage say so."""
    return wording.share_with_interval(point) if group.is_shown else wording.TOO_FEW


def _facts(result: SurvivalResult) -> tuple[tuple[str, str], ...]:
    overall = result.overall
    closed_on = date_format(result.closed_on, "j M Y")
    return (
        ("In words", _alternative(result)),
        ("Cohort", result.cohort_sentence),
        (result.definition_name, result.definition_sentence),
        (
            "Repairs",
            f"{overall.curve.n:,}, of which failed {overall.curve.events:,}; "
            f"ended by death, knee replacement or another tear {overall.ended_otherwise:,}",
        ),
        ("Median follow-up", f"{wording.months_with_interval(overall.follow_up)} months"),
        (
            "Follow-up complete",
            f"{wording.percent(overall.completeness)} of the time possible until {closed_on}",
        ),
        ("Comparison", comparison_sentence(result)),
        *(("Note", note) for note in result.notes),
        ("Method", " ".join(result.methods)),
        ("References", " ".join(result.references)),
    )


def comparison_sentence(result: SurvivalResult) -> str:
    """The test in words, never a P value without what was compared."""
    test = result.comparison
    if test is None:
        return "Fewer than two groups, or no failure: nothing to compare."
    return (
        f"Log-rank over {len(test.groups)} groups: chi-square {test.statistic:.2f}, "
        f"{test.df} degrees of freedom, {wording.p_value(test.p)}."
    )


def _alternative(result: SurvivalResult) -> str:
    """What the drawing shows, for who cannot see it."""
    ends = [
        f"{group.label} {wording.share_with_interval(group.curve.landmarks[1])}"
        for group in result.groups
        if group.curve.landmarks[1].survival is not None and group.is_shown
    ]
    shown = f"{len(result.groups)} falling step curves of the share of repairs still standing"
    return f"{shown}. At two years: {'; '.join(ends)}." if ends else f"{shown}; none reaches two years."


# --- the drawing ------------------------------------------------------------------------------


def _plot(result: SurvivalResult) -> dict[str, Any]:
    looks = [
        _Look(f"var:series-{place + 1}", DASHES[place % len(DASHES)]) for place in range(len(result.groups))
    ]
    # The look goes with the level, so that a level keeps it when a smaller one is not drawn.
    drawn = [(group, look) for group, look in zip(result.groups, looks, strict=True) if group.is_shown]
    if not drawn:
        return {}
    ticks = _tick_months([group for group, _ in drawn])
    traces = [trace for group, look in drawn for trace in _group_traces(group, look)]
    traces += [
        trace for row, (group, look) in enumerate(drawn) for trace in _at_risk_traces(group, look, row, ticks)
    ]
    return {
        "data": traces,
        "layout": _layout(drawn, ticks),
        "layout_narrow": {
            "xaxis": {"tickvals": ticks[::2], "range": [-ticks[-1] * 0.14, ticks[-1] * 1.06]},
            "margin": {"l": 46, "r": 12},
            "font": {"size": 11},
        },
    }


def _tick_months(groups: Sequence[Group]) -> list[int]:
    last = max(group.curve.time[-1] for group in groups) / DAYS_PER_MONTH
    step = 6 if last <= 30 else 12
    return list(range(0, step * ceil(max(last, 1) / step) + 1, step))


def _group_traces(group: Group, look: _Look) -> Iterator[Trace]:
    curve = group.curve
    x = [0.0, *(day / DAYS_PER_MONTH for day in curve.time)]
    y = [1.0, *curve.survival]
    sure = _sure_steps(curve)
    yield _band(curve, x[: sure + 1], look)
    yield _line(group.label, x[: sure + 1], y[: sure + 1], look, 1.0)
    if sure < len(curve.time):
        yield _line(group.label, x[sure:], y[sure:], look, 0.35)
    yield _censor_ticks(group, look)


def _sure_steps(curve: SurvivalCurve) -> int:
    """How many leading steps have at least FEW_AT_RISK at risk."""
    return sum(at_risk >= FEW_AT_RISK for at_risk in curve.at_risk)


def _line(label: str, x: list[float], y: list[float], look: _Look, opacity: float) -> Trace:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": label,
        "x": _rounded(x),
        "y": y,
        "line": {"shape": "hv", "color": look.colour, "dash": look.dash, "width": 2.2},
        "opacity": opacity,
        "hovertemplate": f"{label}: %{{y:.1%}} at %{{x:.1f}} months<extra></extra>",
    }


def _band(curve: SurvivalCurve, x: list[float], look: _Look) -> Trace:
    steps = len(x) - 1
    # Before the first failure both limits are the curve itself.
    lower = [1.0, *(1.0 if s == 1 else low for s, low in zip(curve.survival, curve.lower, strict=True))][
        : steps + 1
    ]
    upper = [1.0, *(1.0 if s == 1 else high for s, high in zip(curve.survival, curve.upper, strict=True))][
        : steps + 1
    ]
    defined = [place for place in range(steps + 1) if lower[place] is not None and upper[place] is not None]
    xs = [x[place] for place in defined]
    top = _stairs(xs, [upper[place] for place in defined])
    bottom = _stairs(xs, [lower[place] for place in defined])
    outline = [*top, *reversed(bottom)]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": _rounded([point[0] for point in outline]),
        "y": [point[1] for point in outline],
        "fill": "toself",
        "fillcolor": f"{look.colour}/0.14",
        "line": {"width": 0},
        "hoverinfo": "skip",
    }


def _stairs(x: Sequence[float], y: Sequence[Any]) -> list[tuple[float, Any]]:
    """Corner points of a step line: level until the next time, then down."""
    corners = [(x[0], y[0])] if x else []
    for (_, level), (to, next_level) in pairwise(zip(x, y, strict=True)):
        corners += [(to, level), (to, next_level)]
    return corners


def _censor_ticks(group: Group, look: _Look) -> Trace:
    curve, x, y = group.curve, [], []
    last = -TICK_GAP_MONTHS
    for day, share, censored in zip(curve.time, curve.survival, curve.censored_at, strict=True):
        if censored and day / DAYS_PER_MONTH >= last + TICK_GAP_MONTHS:
            last = day / DAYS_PER_MONTH
            x.append(last)
            y.append(share)
    return {
        "type": "scatter",
        "mode": "markers",
        "x": _rounded(x),
        "y": y,
        "marker": {"symbol": "line-ns-open", "size": 6, "color": look.colour, "opacity": 0.6},
        "hoverinfo": "skip",
    }


def _at_risk_traces(group: Group, look: _Look, row: int, ticks: list[int]) -> Iterator[Trace]:
    """Numbers at risk under the axis; every second column stays away on a narrow screen."""
    for start, on_narrow in ((0, True), (1, False)):
        months = ticks[start::2]
        yield {
            "type": "scatter",
            "mode": "text",
            "x": months,
            "y": [-row] * len(months),
            "yaxis": "y2",
            "text": [f"{group.curve.at(month * DAYS_PER_MONTH).at_risk:,}" for month in months],
            "textfont": {"color": look.colour},
            "hoverinfo": "skip",
            "cliponaxis": False,
            "meta": {"narrow": on_narrow},
        }


def _layout(drawn: Sequence[tuple[Group, _Look]], ticks: list[int]) -> dict[str, Any]:
    """Axes and labels; what every figure shares (fonts, colours, grid) is the page's business."""
    rows = len(drawn)
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
            "range": [-ticks[-1] * 0.03, ticks[-1] * 1.02],
            "anchor": "y",
            "showgrid": False,
            "ticks": "outside",
        },
        "yaxis": {
            "title": {"text": "Repairs still standing"},
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
            "ticktext": [group.label for group, _ in drawn],
        },
        "annotations": [_at_risk_title(table_height), *_labels(drawn)],
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


def _labels(drawn: Sequence[tuple[Group, _Look]]) -> Iterator[Trace]:
    """The name of each group at the end of its curve, pushed apart where curves end together."""
    ends = sorted(((group.curve.survival[-1], group, look) for group, look in drawn), key=itemgetter(0))
    ceiling = 1.0
    for share, group, look in reversed(ends):
        place = min(share + 0.01, ceiling)
        ceiling = place - LABEL_GAP
        yield {
            "text": group.label,
            "x": group.curve.time[-1] / DAYS_PER_MONTH,
            "y": place,
            "xanchor": "right",
            "yanchor": "bottom",
            "showarrow": False,
            "font": {"color": look.colour, "weight": 700},
        }


def _rounded(months: Sequence[float]) -> list[float]:
    """A hundredth of a month is finer than any screen."""
    return [round(month, 2) for month in months]
