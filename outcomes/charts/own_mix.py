"""Whom a surgeon repairs, and what the other surgeons' results would have one expect of these."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from outcomes import wording
from outcomes.analyses.context import Context
from outcomes.charts.context import Facts, context_facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.shares import counts_said, is_judged, share_in_full, share_said
from outcomes.charts.whiskers import Whisker, label_above, line_down, rows_layout, whisker_trace
from outcomes.charts.whose import Whose
from outcomes.estimators.rates import (
    PROPORTION_METHOD,
    PROPORTION_REFERENCE,
    ObservedExpected,
)
from outcomes.own.case_mix import Level
from outcomes.own.expected import Expectation
from outcomes.own.funnel import SMALL_NUMBERS
from outcomes.own.results import Adjusted

RATIO_COLUMNS = ("observed", "expected", "ratio", "lower_95", "upper_95")
MIX_COLUMNS = (
    "covariate",
    "level",
    "own",
    "of",
    "own_share",
    "own_lower_95",
    "own_upper_95",
    "all",
    "of_all",
    "all_share",
    "all_lower_95",
    "all_upper_95",
)
ONLY_WHAT_IS_RECORDED = (
    "Expected failures allow for what is recorded alone; how hard a repair was, a record does not know."
)
MIX_IS_NO_RESULT = (
    "Whom one repairs is no result. Shares of few repairs move far by one of them, and a harder case mix "
    "explains only what is recorded."
)
AUDIT_ONLY = "For audit: local protocol and the operating surgeon decide whom to repair."

# Heights in pixels of a drawing of many levels.
MIX_FRAME_PX, MIX_ROW_PX = 90, 26

Trace = dict[str, Any]


# --- observed over expected -------------------------------------------------------------------


def expected_figure(
    ratio: ObservedExpected, model: Expectation, context: Context, whose: Whose, csv_url: str = ""
) -> Figure:
    """Draw observed over expected failures beside 1, with Byar's interval."""
    title = f"{whose.starting} failures beside those expected of the same case mix"
    columns = ("Surgeon", "Repairs", "Observed", "Expected", "Observed / expected (95 % interval)")
    row = (whose.mark, f"{context.n:,}", f"{ratio.observed:,}", f"{ratio.expected:.1f}", ratio_said(ratio))
    return Figure(
        name="own-expected",
        title=title,
        plot=_ratio_plot(ratio, whose),
        facts=(
            ("In words", _ratio_in_words(ratio)),
            ("Expected", model.sentence),
            *context_facts(context),
            *methods_facts((ratio.method, model.method), (ratio.reference, model.reference)),
        ),
        cautions=(SMALL_NUMBERS, ONLY_WHAT_IS_RECORDED, *model.cautions, *context.cautions),
        table=DataTable(title, columns, (row,)),
        csv_url=csv_url,
    )


def ratio_rows(adjusted: Adjusted) -> Iterator[tuple[object, ...]]:
    """The ratio at full precision, as RATIO_COLUMNS name it."""
    if ratio := adjusted.ratio:
        yield (ratio.observed, ratio.expected, ratio.estimate, ratio.lower, ratio.upper)


def ratio_said(ratio: ObservedExpected) -> str:
    """A ratio as "1.31 (0.80 to 2.03)", a dash where none is defined."""
    if ratio.estimate is None or ratio.lower is None or ratio.upper is None:
        return "-"
    return f"{ratio.estimate:.2f} ({ratio.lower:.2f} to {ratio.upper:.2f})"


def _ratio_in_words(ratio: ObservedExpected) -> str:
    said = f"{ratio.observed:,} failures seen, {ratio.expected:.1f} expected: ratio {ratio_said(ratio)}"
    if ratio.lower is None or ratio.upper is None:
        return f"{said}."
    where = (
        "includes" if ratio.lower <= 1 <= ratio.upper else "lies above" if ratio.lower > 1 else "lies below"
    )
    return f"{said}. The interval {where} 1, which is as many as expected."


def _ratio_plot(ratio: ObservedExpected, whose: Whose) -> dict[str, Any]:
    if ratio.estimate is None:
        return {}
    point = Whisker(0, ratio.estimate, ratio.lower, ratio.upper, ratio_said(ratio))
    reach = 1.1 * max(2.0, ratio.upper or 0)
    return {
        "data": [whisker_trace([point], colour="var:series-1", symbol="diamond")],
        "layout": {
            **rows_layout([whose.mark]),
            "xaxis": {"title": {"text": "Observed over expected failures"}, "range": [0, reach]},
            "shapes": [line_down(1)],
            "annotations": [label_above(1, "as expected")],
        },
        "layout_narrow": {"font": {"size": 11}},
    }


# --- case mix and indications -----------------------------------------------------------------


def mix_figure(levels: Sequence[Level], context: Context, whose: Whose, csv_url: str = "") -> Figure:
    """Draw each level's share of the surgeon's repairs beside its share of everybody's."""
    title = f"{whose.starting} case mix beside that of all surgeons here"
    return replace(_beside(levels, context, whose, title, csv_url), cautions=(MIX_IS_NO_RESULT,))


def indications_figure(levels: Sequence[Level], context: Context, whose: Whose, csv_url: str = "") -> Figure:
    """Draw how many repairs were within the six prerequisites, beside everybody's."""
    title = f"{whose.starting} repairs by the six prerequisites, beside those of all surgeons here"
    found = _beside(levels, context, whose, title, csv_url)
    return replace(found, name="own-indications", cautions=(AUDIT_ONLY,))


def _beside(levels: Sequence[Level], context: Context, whose: Whose, title: str, csv_url: str) -> Figure:
    return Figure(
        name="own-case-mix",
        title=title,
        plot=_mix_plot(levels),
        facts=_mix_facts(levels, context, whose),
        cautions=(),
        table=_mix_table(title, levels, whose),
        csv_url=csv_url,
    )


def mix_rows(levels: Sequence[Level]) -> Iterator[tuple[object, ...]]:
    """Every level at full precision, as MIX_COLUMNS name it."""
    for level in levels:
        own, everyone = level.own, level.unit
        yield (
            level.covariate,
            level.label,
            own.x,
            own.n,
            *share_in_full(own),
            everyone.x,
            everyone.n,
            *share_in_full(everyone),
        )


def _mix_facts(levels: Sequence[Level], context: Context, whose: Whose) -> Facts:
    return (
        ("In words", _mix_in_words(levels)),
        *context_facts(context),
        *methods_facts((PROPORTION_METHOD,), (PROPORTION_REFERENCE,)),
    )


def _mix_in_words(levels: Sequence[Level]) -> str:
    told = [level for level in levels if is_judged(level.own)]
    if not told:
        return "Too few repairs for shares; the table has the counts."
    apart = max(told, key=lambda level: abs((level.own.estimate or 0) - (level.unit.estimate or 0)))
    return (
        f"Pairs of points, a line each. Farthest apart: {apart.covariate}, {apart.label.lower()}, "
        f"{wording.percent(apart.own.estimate)} beside {wording.percent(apart.unit.estimate)}."
    )


def _mix_table(title: str, levels: Sequence[Level], whose: Whose) -> DataTable:
    columns = ("Repairs", whose.mark, "Share (95 % interval)", "All surgeons", "Share (95 % interval)")
    return DataTable(
        f"{title}: all surgeons includes this surgeon.",
        columns,
        tuple(
            (
                f"{level.covariate.capitalize()}: {level.label.lower()}",
                counts_said(level.own),
                share_said(level.own),
                counts_said(level.unit),
                share_said(level.unit),
            )
            for level in levels
        ),
    )


def _mix_plot(levels: Sequence[Level]) -> dict[str, Any]:
    told = [level for level in levels if is_judged(level.own)]
    if not told:
        return {}
    own, everyone = [level.own.estimate or 0 for level in told], [level.unit.estimate or 0 for level in told]
    return {
        "data": [
            _points(told, everyone, "All surgeons", "var:ink-soft", "circle-open"),
            _points(told, own, "Own", "var:series-1", "diamond"),
        ],
        "layout": {
            **rows_layout([_named(level) for level in told]),
            "height": MIX_FRAME_PX + MIX_ROW_PX * len(told),
            "xaxis": {
                "title": {"text": "Share of repairs (diamond: own; open circle: all surgeons)"},
                "range": [-0.02, min(1.02, max(own + everyone) + 0.08)],
                "tickformat": ".0%",
            },
        },
        "layout_narrow": {"font": {"size": 10}, "xaxis": {"title": {"text": "Share"}, "tickangle": 0}},
    }


def _points(levels: Sequence[Level], shares: Sequence[float], who: str, colour: str, symbol: str) -> Trace:
    return {
        "type": "scatter",
        "mode": "markers",
        "x": list(shares),
        "y": [-row for row in range(len(levels))],
        "text": [f"{who}, {_named(level)}" for level in levels],
        "hovertemplate": "%{text}: %{x:.1%}<extra></extra>",
        "marker": {"symbol": symbol, "size": 10, "color": colour},
    }


def _named(level: Level) -> str:
    return f"{level.code.partition('-')[0]}: {level.label.lower()}"
