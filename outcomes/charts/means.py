"""Mean months without failure, a point with its interval each level, and beside it how levels differ."""

from collections.abc import Iterator, Sequence
from math import ceil
from typing import Any

from outcomes import wording
from outcomes.analyses.means import LevelMean, MeansResult
from outcomes.charts.context import Facts, context_facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.whiskers import Whisker, label_above, line_down, rows_layout, whisker_trace
from outcomes.estimators.restricted_mean import RestrictedMean, RestrictedMeanDifference
from outcomes.wording import DAYS_PER_MONTH

Estimate = RestrictedMean | RestrictedMeanDifference

CSV_COLUMNS = (
    "level",
    "repairs",
    "failures",
    "tau_days",
    "mean_days",
    "std_error",
    "lower_95",
    "upper_95",
    "difference_days",
    "difference_std_error",
    "difference_lower_95",
    "difference_upper_95",
    "p",
)
NOTHING = "-"
# The panels of means and of differences, as shares of the width.
MEANS_WIDTH, DIFFERENCES_FROM = 0.56, 0.64


def means_figure(result: MeansResult, csv_url: str = "") -> Figure:
    """Draw the restricted means of the levels of a stratum."""
    return Figure(
        name=f"means-by-{result.stratum_code}",
        title=result.title,
        plot=_plot(result),
        facts=_facts(result),
        cautions=result.cautions,
        table=means_table(result),
        csv_url=csv_url,
    )


def means_table(result: MeansResult) -> DataTable:
    """Mean months without failure of each level with interval and error, and its difference."""
    heads = (
        result.split_by.capitalize(),
        "Repairs",
        "Failures",
        "Mean months without failure",
        "Standard error (months)",
        f"Longer than {result.reference_label or 'the reference'} (months)",
        "P",
    )
    caption = f"{result.title}: mean with 95 % interval, counting each repair {_up_to(result)}."
    return DataTable(caption, heads, tuple(_row(level, result) for level in result.levels))


def means_rows(result: MeansResult) -> Iterator[tuple[object, ...]]:
    """The numbers of the table at full precision and in days, as CSV_COLUMNS name them."""
    for level in result.levels:
        mean, difference = level.mean, level.difference
        yield (
            level.label,
            level.n,
            level.events,
            result.tau if mean else None,
            *(_numbers(mean) if mean else [None] * 4),
            *(_numbers(difference) if difference else [None] * 4),
            difference.p if difference else None,
        )


def _numbers(of: Estimate) -> tuple[float | None, ...]:
    return of.estimate, of.std_error, of.lower, of.upper


def _row(level: LevelMean, result: MeansResult) -> tuple[str, ...]:
    counts = (level.label, f"{level.n:,}", f"{level.events:,}")
    if level.mean is None:
        return (*counts, wording.TOO_FEW, NOTHING, NOTHING, NOTHING)
    error = level.mean.std_error
    said = (_with_interval(level.mean), NOTHING if error is None else wording.months(error))
    if level.difference is None:
        return (*counts, *said, "reference" if level.code == result.reference else NOTHING, NOTHING)
    p = level.difference.p
    return (*counts, *said, _with_interval(level.difference), NOTHING if p is None else wording.p_value(p))


def _with_interval(of: Estimate) -> str:
    if of.lower is None or of.upper is None:
        return wording.months(of.estimate)
    return f"{wording.months(of.estimate)} ({wording.months(of.lower)} to {wording.months(of.upper)})"


def _up_to(result: MeansResult) -> str:
    return f"up to {wording.months(result.tau)} months" if result.tau else "up to the same horizon"


def _facts(result: MeansResult) -> Facts:
    return (
        ("In words", in_words(result)),
        *context_facts(result.context),
        ("Horizon", _horizon(result)),
        *(("Note", note) for note in result.notes),
        *methods_facts(result.methods, result.references),
    )


def _horizon(result: MeansResult) -> str:
    if result.tau is None:
        return "none: no level has enough repairs that were followed"
    return (
        f"tau = {wording.months(result.tau)} months ({result.tau:,.0f} days), the smallest of the levels' "
        "last times: of each repair at most so long is counted"
    )


def in_words(result: MeansResult) -> str:
    """What the drawing shows, for who cannot see it."""
    if result.tau is None:
        return "Too few repairs to estimate a mean."
    means = [f"{level.label} {_with_interval(level.mean)}" for level in result.levels if level.mean]
    said = f"Mean months without failure {_up_to(result)}: {'; '.join(means)}."
    return " ".join([said, *(_compared(level, result) for level in result.levels if level.difference)])


def _compared(level: LevelMean, result: MeansResult) -> str:
    """A difference in words; where its interval holds 0 it says so, and gives no direction."""
    difference = level.difference
    if difference is None or difference.lower is None or difference.upper is None:
        return f"{level.label} and {result.reference_label}: no interval for their difference."
    said = f"{wording.months(abs(difference.estimate))} months"
    if difference.lower <= 0 <= difference.upper:
        return f"{level.label} and {result.reference_label} differ by {said}, which chance alone may explain."
    way = "longer" if difference.estimate > 0 else "shorter"
    than = f"{way} than {result.reference_label}"
    return f"{level.label} stands {said} {than}, by more than chance alone usually gives."


# --- the drawing ------------------------------------------------------------------------------


def _plot(result: MeansResult) -> dict[str, Any]:
    shown = [level for level in result.levels if level.mean]
    if result.tau is None or not shown:
        return {}
    tau = result.tau / DAYS_PER_MONTH
    means = [_whisker(row, level, level.mean) for row, level in enumerate(shown) if level.mean]
    differences = [
        _whisker(row, level, level.difference) for row, level in enumerate(shown) if level.difference
    ]
    traces = [whisker_trace(means, colour="var:series-1", symbol="circle")]
    if differences:
        beside = whisker_trace(differences, colour="var:series-2", symbol="diamond", axis="x2")
        traces.append({**beside, "meta": {"narrow": False}})
    return {
        "data": traces,
        "layout": {
            **rows_layout([level.label for level in shown]),
            **_axes(tau, differences, result.reference_label),
        },
        "layout_narrow": _narrow(tau, bool(differences)),
    }


def _whisker(row: int, level: LevelMean, of: Estimate) -> Whisker:
    estimate, lower, upper = (
        None if days is None else round(days / DAYS_PER_MONTH, 2)
        for days in (of.estimate, of.lower, of.upper)
    )
    return Whisker(row, estimate or 0.0, lower, upper, f"{level.label}: {_with_interval(of)} months")


def _axes(tau: float, differences: Sequence[Whisker], reference: str) -> dict[str, Any]:
    months = _axis_of_months(tau)
    lines, words = [line_down(tau)], [_tau_label(tau)]
    if not differences:
        return {"xaxis": months, "shapes": lines, "annotations": words}
    reach = max(
        abs(limit)
        for point in differences
        for limit in (point.lower, point.upper, point.estimate)
        if limit is not None
    )
    beside = {
        "title": {"text": f"Months longer than {reference}", "standoff": 6},
        "domain": [DIFFERENCES_FROM, 1],
        "range": [-1.1 * max(reach, 1), 1.1 * max(reach, 1)],
        "anchor": "y",
        "showline": True,
    }
    return {
        "xaxis": {**months, "domain": [0, MEANS_WIDTH]},
        "xaxis2": beside,
        "shapes": [*lines, line_down(0, axis="x2", dash="solid")],
        "annotations": [*words, label_above(0, "no difference", axis="x2")],
    }


def _axis_of_months(tau: float) -> dict[str, Any]:
    return {
        "title": {"text": "Mean months without failure", "standoff": 6},
        "range": [0, ceil(tau * 1.05)],
        "anchor": "y",
    }


def _tau_label(tau: float) -> dict[str, Any]:
    return label_above(tau, f"tau {tau:.1f}", anchor="right")


def _narrow(tau: float, has_differences: bool) -> dict[str, Any]:
    """On a narrow screen the means alone; the differences stand in the table."""
    layout: dict[str, Any] = {"margin": {"l": 8, "r": 12}, "font": {"size": 11}}
    if has_differences:
        alone = {"shapes": [line_down(tau)], "annotations": [_tau_label(tau)]}
        layout |= {"xaxis": {"domain": [0, 1]}, "xaxis2": {"visible": False}, **alone}
    return layout
