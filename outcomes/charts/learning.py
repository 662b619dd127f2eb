"""Failure by two years in consecutive blocks of repairs, from independent practice on."""

from collections.abc import Iterator, Sequence
from math import ceil
from typing import Any

from django.utils.formats import date_format

from outcomes import wording
from outcomes.analyses.context import Context
from outcomes.charts.context import Facts, context_facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.shares import counts_said, is_judged, share_in_full, share_said
from outcomes.charts.whose import Whose
from outcomes.estimators.rates import PROPORTION_METHOD, PROPORTION_REFERENCE
from outcomes.own.expected import Expectation
from outcomes.own.funnel import SMALL_NUMBERS
from outcomes.own.learning import BLOCK, NOT_RECORDED, Block, Learning
from outcomes.own.two_years import RULE

CSV_COLUMNS = (
    "first_repair",
    "last_repair",
    "operated_from",
    "operated_to",
    "results",
    "failed",
    "share",
    "lower_95",
    "upper_95",
    "expected_failures",
)
HEIGHT_PX = 380
# More names of blocks along the axis would run into each other; of digits up to the thousands.
MOST_NAMED, MOST_NAMED_NARROW = 12, 4
WIDE_INTERVALS = f"{BLOCK} repairs say little: read the intervals, not the points."

Trace = dict[str, Any]


def learning_figure(
    found: Learning, context: Context, model: Expectation | None, whose: Whose, csv_url: str = ""
) -> Figure:
    """Draw each block's share with its interval, and the share expected beside."""
    return Figure(
        name="own-learning",
        title=f"{whose.starting} failures within 2 years, {BLOCK} repairs after {BLOCK} repairs",
        plot=_plot(found),
        facts=_facts(found, context, model),
        cautions=(SMALL_NUMBERS, WIDE_INTERVALS, *(() if found.independent_since else (NOT_RECORDED,))),
        table=_table(found),
        csv_url=csv_url,
    )


def learning_rows(found: Learning) -> Iterator[tuple[object, ...]]:
    """Each block at full precision, as CSV_COLUMNS name them; a small one has its counts alone."""
    for block in found.blocks:
        days = (block.operated_from.isoformat(), block.operated_to.isoformat())
        share, expected = block.failed, "" if block.expected is None else block.expected
        yield (block.first, block.last, *days, share.n, share.x, *share_in_full(share), expected)


# --- words and table --------------------------------------------------------------------------


def _facts(found: Learning, context: Context, model: Expectation | None) -> Facts:
    return (
        ("In words", _in_words(found)),
        ("Independent practice", _since(found)),
        ("Counted", RULE),
        *((("Expected", model.sentence),) if model else ()),
        *context_facts(context),
        *methods_facts(
            (PROPORTION_METHOD, *((model.method,) if model else ())),
            (PROPORTION_REFERENCE, *((model.reference,) if model else ())),
        ),
    )


def _since(found: Learning) -> str:
    if found.independent_since is None:
        return "not recorded"
    before = wording.counted(found.before, "result")
    return f"since {date_format(found.independent_since, 'j M Y')}; {before} from before it left out"


def _in_words(found: Learning) -> str:
    shown = [block for block in found.blocks if is_judged(block.failed)]
    if not shown:
        return f"Fewer than one block of repairs has two-year results ({found.n:,})."
    ends = shown[:1] if len(shown) == 1 else [shown[0], shown[-1]]
    said = [f"repairs {block.first} to {block.last}: {share_said(block.failed)}" for block in ends]
    return f"{wording.counted(len(shown), 'block')} drawn. Failed within two years: {'; '.join(said)}."


def _table(found: Learning) -> DataTable:
    columns = ("Repairs", "Operated on", "Failed within 2 years", "Share", "Expected failures")
    return DataTable(
        "Blocks of repairs with a two-year result, in the order of the operations: share with 95 % interval.",
        columns,
        tuple(_row(block) for block in found.blocks),
    )


def _row(block: Block) -> tuple[str, ...]:
    days = f"{date_format(block.operated_from, 'j M Y')} to {date_format(block.operated_to, 'j M Y')}"
    expected = "-" if block.expected is None else f"{block.expected:.1f}"
    return (
        f"{block.first} to {block.last}",
        days,
        counts_said(block.failed),
        share_said(block.failed),
        expected,
    )


# --- the drawing ------------------------------------------------------------------------------


def _plot(found: Learning) -> dict[str, Any]:
    shown = [block for block in found.blocks if is_judged(block.failed)]
    if not shown:
        return {}
    return {
        "data": [_blocks(shown), *_expected(shown)],
        "layout": {
            "showlegend": False,
            "height": HEIGHT_PX,
            "margin": {"l": 64, "r": 24, "t": 16, "b": 52},
            "xaxis": {
                "title": {"text": "Repairs in the order of the operations", "standoff": 6},
                **_ticks(shown, MOST_NAMED),
                "range": [0, shown[-1].last + 1],
                "showgrid": False,
            },
            "yaxis": {
                "title": {"text": "Failed within 2 years"},
                "range": [0, _top(shown)],
                "tickformat": ".0%",
            },
        },
        "layout_narrow": {
            "margin": {"l": 46, "r": 12},
            "font": {"size": 11},
            "xaxis": _ticks(shown, MOST_NAMED_NARROW),
        },
    }


def _ticks(shown: Sequence[Block], most: int) -> dict[str, Any]:
    """The names of so many blocks at most, evenly spread from the first on."""
    named = shown[:: ceil(len(shown) / most)]
    return {
        "tickvals": [_middle(block) for block in named],
        "ticktext": [f"{block.first}-{block.last}" for block in named],
    }


def _middle(block: Block) -> float:
    return (block.first + block.last) / 2


def _top(shown: Sequence[Block]) -> float:
    return min(1.02, max(block.failed.upper or 0 for block in shown) * 1.1)


def _blocks(shown: Sequence[Block]) -> Trace:
    found = [block.failed for block in shown]
    shares = [(share.estimate or 0, share.lower or 0, share.upper or 0) for share in found]
    return {
        "type": "scatter",
        "mode": "lines+markers",
        "name": "Seen",
        "x": [_middle(block) for block in shown],
        "y": [share for share, _, _ in shares],
        "error_y": {
            "type": "data",
            "symmetric": False,
            "array": [upper - share for share, _, upper in shares],
            "arrayminus": [share - lower for share, lower, _ in shares],
            "color": "var:series-1",
            "thickness": 1.8,
            "width": 6,
        },
        "line": {"color": "var:series-1", "width": 1, "dash": "dot"},
        "marker": {"symbol": "diamond", "size": 10, "color": "var:series-1"},
        "text": [f"Repairs {block.first} to {block.last}: {share_said(block.failed)}" for block in shown],
        "hovertemplate": "%{text}<extra></extra>",
    }


def _expected(shown: Sequence[Block]) -> Iterator[Trace]:
    """What the other surgeons' results would have one expect: an open square a block."""
    known = [(block, block.expected) for block in shown if block.expected is not None]
    if known:
        yield {
            "type": "scatter",
            "mode": "markers+text",
            "name": "Expected",
            "x": [_middle(block) for block, _ in known],
            "y": [expected / block.failed.n for block, expected in known],
            "text": ["expected", *[""] * (len(known) - 1)],
            "textposition": "middle right",
            "textfont": {"size": 11, "color": "var:ink-soft"},
            "hovertemplate": "Expected %{y:.1%}<extra></extra>",
            "marker": {"symbol": "square-open", "size": 9, "color": "var:ink-soft"},
        }
