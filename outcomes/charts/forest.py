"""Hazard ratios as points with whiskers on a log axis, covariate by covariate, the reference level named."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import log10
from typing import Any

from outcomes import wording
from outcomes.analyses.adjusted import AdjustedResult, Covariate, Level
from outcomes.charts.context import context_facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.whiskers import Whisker, line_down, whisker_trace
from outcomes.estimators.regression import ChiSquare, Coefficient

ROW_PX, FRAME_PX = 30, 92
TICKS = (0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50)
REFERENCE = "reference"

Trace = dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of the drawing: a covariate's heading, or one of its levels."""

    place: int
    covariate: Covariate
    level: Level | None


def forest_figure(result: AdjustedResult, csv_url: str = "") -> Figure:
    """Draw the hazard ratios of a model; without a model the table gives the counts."""
    return Figure(
        name="hazard-ratios",
        title=result.title,
        plot={} if result.refusal else _plot(result),
        facts=_facts(result),
        cautions=result.cautions,
        table=ratio_table(result),
        csv_url=csv_url,
    )


def ratio_table(result: AdjustedResult) -> DataTable:
    """Every level with its repairs and failures, adjusted and crude ratio, and the test of its ratio."""
    columns = (
        "Level",
        "Repairs",
        "Failures",
        "Adjusted hazard ratio",
        "P",
        "Crude hazard ratio",
        "Proportional hazards",
    )
    rows = tuple(_cells(covariate, level) for covariate in result.covariates for level in covariate.levels)
    return DataTable(f"{result.title}: with 95 % interval.", columns, rows)


def _cells(covariate: Covariate, level: Level) -> tuple[str, ...]:
    adjusted = level.adjusted
    return (
        f"{covariate.title.capitalize()}: {level.label}",
        f"{level.n:,}",
        f"{level.events:,}",
        _said(level, adjusted),
        wording.p_value(adjusted.p) if adjusted else "-",
        _said(level, level.crude),
        _test(level.proportional_hazards) if adjusted else "-",
    )


def _said(level: Level, ratio: Coefficient | None) -> str:
    if level.is_reference:
        return f"1 ({REFERENCE})"
    if not level.is_shown:
        return wording.TOO_FEW
    return ratio_with_interval(ratio) if ratio else "-"


def ratio_with_interval(ratio: Coefficient) -> str:
    """A hazard ratio with its limits: "1.42 (0.91 to 2.23)"."""
    return f"{ratio.hazard_ratio:.2f} ({ratio.lower:.2f} to {ratio.upper:.2f})"


def _test(test: ChiSquare | None) -> str:
    return "-" if test is None or test.p is None else wording.p_value(test.p)


def _facts(result: AdjustedResult) -> tuple[tuple[str, str], ...]:
    references = "; ".join(
        f"{covariate.title}: {covariate.reference}" for covariate in result.covariates if covariate.reference
    )
    in_model = f"{wording.counted(result.n, 'repair')}, of which failed {result.events:,}"
    said = (
        ("In words", _alternative(result)),
        *context_facts(result.context),
        ("In the model", "" if result.refusal else in_model),
        ("Reference levels", references),
        ("Proportional hazards", "" if result.refusal else f"All at once: {_test(result.all_at_once)}"),
        *(("Note", note) for note in result.notes),
        *methods_facts(result.methods, result.references),
    )
    return tuple(fact for fact in said if fact[1])


def _alternative(result: AdjustedResult) -> str:
    """What the drawing shows, for who cannot see it."""
    if result.refusal:
        return result.refusal
    ratios = [
        f"{covariate.title.capitalize()}, {level.label} against {covariate.reference}: "
        f"{ratio_with_interval(level.adjusted)}"
        for covariate in result.covariates
        for level in covariate.levels
        if level.adjusted
    ]
    return f"Points with whiskers on a log axis. {'; '.join(ratios)}." if ratios else "No ratio can be shown."


# --- the drawing ------------------------------------------------------------------------------


def _plot(result: AdjustedResult) -> dict[str, Any]:
    rows = list(_rows(result.covariates))
    drawn = [
        (row.place, f"{level.label} against {row.covariate.reference}", ratio)
        for row in rows
        if (level := row.level) and (ratio := level.adjusted)
    ]
    if not drawn:
        return {}
    low, high = _reach([ratio for *_, ratio in drawn])
    references = [row.place for row in rows if row.level and row.level.is_reference]
    points = [_whisker(*row, low, high) for row in drawn]
    ticks = [tick for tick in TICKS if low <= tick <= high]
    headings = [_heading(row) for row in rows if row.level is None]
    return {
        "data": [
            whisker_trace(points, colour="var:series-1", symbol="square"),
            _reference_points(references),
        ],
        "layout": {
            "showlegend": False,
            "height": FRAME_PX + ROW_PX * len(rows),
            "margin": {"l": 24, "r": 150, "t": 12, "b": 56},
            "xaxis": {
                "type": "log",
                "title": {"text": "Hazard ratio, log scale (over 1: fails faster)", "standoff": 6},
                "range": [log10(low), log10(high)],
                "tickvals": ticks,
                "ticktext": [f"{tick:g}" for tick in ticks],
                "ticks": "outside",
                "showgrid": False,
            },
            "yaxis": _row_axis(rows),
            "shapes": [line_down(1.0)],
            "annotations": [*headings, *(_beside(row.place, row.level) for row in rows if row.level)],
        },
        "layout_narrow": {
            "margin": {"r": 12},
            "font": {"size": 11},
            "xaxis": {"title": {"text": "Hazard ratio, log scale"}},
            "annotations": headings,
        },
    }


def _rows(covariates: Sequence[Covariate]) -> Iterator[_Row]:
    place = 0
    for covariate in covariates:
        yield _Row(place, covariate, None)
        for level in covariate.levels:
            place += 1
            yield _Row(place, covariate, level)
        place += 1


def _reach(ratios: Sequence[Coefficient]) -> tuple[float, float]:
    """Ends of the axis: ticks around all limits, never beyond the outermost ones."""
    least, most = min(ratio.lower for ratio in ratios), max(ratio.upper for ratio in ratios)
    below = [tick for tick in TICKS if tick <= min(least, 0.5)]
    above = [tick for tick in TICKS if tick >= max(most, 2)]
    return (below[-1] if below else TICKS[0]) * 0.9, (above[0] if above else TICKS[-1]) * 1.1


def _whisker(place: int, name: str, ratio: Coefficient, low: float, high: float) -> Whisker:
    """A ratio; what lies beyond the axis ends at its edge, and the table has it whole."""
    return Whisker(
        place,
        min(max(ratio.hazard_ratio, low), high),
        max(ratio.lower, low),
        min(ratio.upper, high),
        f"{name}: {ratio_with_interval(ratio)}",
    )


def _reference_points(places: Sequence[int]) -> Trace:
    return {
        "type": "scatter",
        "mode": "markers",
        "x": [1.0] * len(places),
        "y": [-place for place in places],
        "marker": {"symbol": "diamond-open", "size": 10, "color": "var:ink-soft", "line": {"width": 2}},
        "hovertemplate": f"{REFERENCE}<extra></extra>",
    }


def _row_axis(rows: Sequence[_Row]) -> dict[str, Any]:
    levels = [row for row in rows if row.level]
    return {
        "tickvals": [-row.place for row in levels],
        "ticktext": [row.level.label for row in levels if row.level],
        "range": [0.5 - len(rows), 0.5],
        "automargin": True,
        "showgrid": False,
    }


def _heading(row: _Row) -> Trace:
    return {
        "text": row.covariate.title.capitalize(),
        "xref": "paper",
        "x": 0,
        "y": -row.place,
        "xanchor": "left",
        "yanchor": "middle",
        "showarrow": False,
        "font": {"weight": 700, "color": "var:ink"},
        "bgcolor": "var:surface",
    }


def _beside(place: int, level: Level) -> Trace:
    """A level's ratio in figures, right of the drawing."""
    return {
        "text": _said(level, level.adjusted),
        "xref": "paper",
        "x": 1.02,
        "y": -place,
        "xanchor": "left",
        "yanchor": "middle",
        "showarrow": False,
        "font": {"size": 12, "color": "var:ink"},
    }
