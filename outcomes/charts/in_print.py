"""A cohort's failure as a rising curve, with published figures as numbered bands at their years."""

from collections.abc import Sequence
from typing import Any

from outcomes import wording
from outcomes.analyses.in_print import Beside, InPrintResult
from outcomes.charts.bands import (
    KEY_WIDTH_PX,
    LEAST_MONTHS,
    band_traces,
    bands_of,
    key_of,
    number_of,
    printed,
    top_of,
)
from outcomes.charts.context import context_facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.steps import AtRiskRow, StepLine, look, steps_plot
from outcomes.estimators.survival import Landmark, SurvivalCurve

OWN = "This cohort"


def in_print_figure(result: InPrintResult, csv_url: str = "") -> Figure:
    """Draw a cohort beside the published figures."""
    return Figure(
        name="beside-published",
        title=result.title,
        plot=_plot(result.curve, result.drawn) if result.curve else {},
        facts=_facts(result),
        cautions=result.cautions,
        table=published_table(result),
        csv_url=csv_url,
    )


def published_table(result: InPrintResult) -> DataTable:
    """Every published figure with what is needed to read it, and the cohort's own failure at its years."""
    columns = (
        "Published figure",
        "Failed",
        "This cohort",
        "Followed",
        "Of",
        "Population",
        "Counts as failure",
        "Same kind as here",
        "Drawn",
        "Source",
    )
    return DataTable(f"{result.title}.", columns, tuple(_cells(one) for one in result.beside))


def _cells(one: Beside) -> tuple[str, ...]:
    figure = one.figure
    what = figure.what[:1].upper() + figure.what[1:]
    return (
        f"{one.number}. {what}" if one.number else what,
        printed(figure),
        _own(one),
        figure.follow_up,
        f"{figure.n:,} {figure.n_of}" if figure.n else "not given",
        figure.population,
        figure.definition,
        "yes" if one.same_kind else f"no: {one.kind}",
        "yes" if one.number else f"no: {one.why_not}",
        f"{figure.citation} (read: {figure.read})",
    )


def _own(one: Beside) -> str:
    if one.own is None or one.own.survival is None:
        return "-"
    return f"{failed_with_interval(one.own)} at {one.own_years:g} years"


def failed_with_interval(point: Landmark) -> str:
    """One less the survival at a landmark, with its interval turned round."""
    if point.survival is None:
        return "-"
    share = wording.percent(1 - point.survival)
    if point.lower is None or point.upper is None:
        return share
    return f"{share} ({100 * (1 - point.upper):.1f} to {100 * (1 - point.lower):.1f})"


def _facts(result: InPrintResult) -> tuple[tuple[str, str], ...]:
    return (
        ("In words", _alternative(result)),
        *context_facts(result.context),
        *methods_facts(result.methods, result.references),
    )


def _alternative(result: InPrintResult) -> str:
    """What the drawing shows, for who cannot see it."""
    if result.curve is None:
        return "Too few repairs for a curve; the published figures are in the table."
    shown = wording.counted(len(result.drawn), "published figure")
    ends = [
        f"{one.number}, {one.source}: {printed(one.figure)}, here {failed_with_interval(one.own)}"
        for one in result.drawn
        if one.own and one.own.survival is not None
    ]
    said = f"A rising step curve of the share failed, with {shown} as numbered bands or lines."
    return f"{said} {'; '.join(ends)}." if ends else said


# --- the drawing ------------------------------------------------------------------------------


def _plot(curve: SurvivalCurve, drawn: Sequence[Beside]) -> dict[str, Any]:
    own = steps_plot([_own_line(curve)], [_at_risk(curve)], "Repairs failed")
    months = max(LEAST_MONTHS, *own["layout"]["xaxis"]["tickvals"])
    bands = list(bands_of(drawn, months))
    ticks = list(range(0, months + 1, 12))
    layout = own["layout"]
    layout["xaxis"] |= {"tickvals": ticks, "range": [-months * 0.06, months * 1.01]}
    layout["yaxis"]["range"] = [0, max(layout["yaxis"]["range"][1], top_of(bands))]
    layout["margin"]["r"] = KEY_WIDTH_PX
    layout["annotations"] += [number_of(band) for band in bands]
    narrow = own["layout_narrow"]
    narrow["xaxis"] = {"tickvals": ticks[::2], "range": [-months * 0.14, months * 1.02]}
    narrow["annotations"] = list(layout["annotations"])
    layout["annotations"] += key_of(drawn, layout["height"])
    return {
        "data": [trace for band in bands for trace in band_traces(band)] + own["data"],
        "layout": layout,
        "layout_narrow": narrow,
    }


def _own_line(curve: SurvivalCurve) -> StepLine:
    """The curve turned round: what failed, and its limits."""
    return StepLine(
        label=OWN,
        look=look(0),
        days=curve.time,
        share=tuple(1 - share for share in curve.survival),
        lower=tuple(None if high is None else 1 - high for high in curve.upper),
        upper=tuple(None if low is None else 1 - low for low in curve.lower),
        at_risk=curve.at_risk,
    )


def _at_risk(curve: SurvivalCurve) -> AtRiskRow:
    return AtRiskRow(OWN, look(0).colour, lambda day: curve.at(day).at_risk)
