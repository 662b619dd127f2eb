"""Ramp lesions: the share of ACL-torn knees looked at from behind, and what was found, beside print."""

from collections.abc import Iterator, Sequence
from typing import Any

from outcomes.charts.context import Facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.shares import counts_said, is_judged, share_in_full, share_said
from outcomes.charts.whiskers import Whisker, label_above, rows_layout, whisker_trace
from outcomes.charts.whose import Whose
from outcomes.estimators.rates import PROPORTION_METHOD, PROPORTION_REFERENCE, Proportion
from outcomes.own.ramp import RULE, Ramp, ramp_in_print
from outcomes.published import PublishedFigure

CSV_COLUMNS = ("surgeon", "what", "n", "of", "share", "lower_95", "upper_95")
CAUTIONS = (
    "Who is not looked for is not found: a low share found may mean few looks, not few lesions.",
    "Print differs in whom it counts: a range shows where others stand, it is no test.",
)

LOOKED, FOUND, FOUND_WITHOUT = (
    "looked at from behind",
    "ramp lesion found, of those looked at",
    "ramp lesion found, of the others",
)
SHARES = {LOOKED: "looked", FOUND: "found", FOUND_WITHOUT: "found_without"}
NARROW = {LOOKED: "looked", FOUND: "found, looked", FOUND_WITHOUT: "found, not looked"}

Line = tuple[str, str, Proportion]


def ramp_figure(ramps: tuple[Ramp, Ramp], whose: Whose, csv_url: str = "") -> Figure:
    """Draw looks and finds of a surgeon and of all, with the published range of finds as a band."""
    lines = _lines(ramps, whose)
    return Figure(
        name="own-ramp",
        title="Ramp lesions in ACL-torn knees: looked for, and found",
        plot=_plot(lines),
        facts=_facts(ramps, lines, whose),
        cautions=CAUTIONS,
        table=_table(lines),
        csv_url=csv_url,
    )


def ramp_rows(ramps: tuple[Ramp, Ramp], whose: Whose) -> Iterator[tuple[object, ...]]:
    """Every share at full precision, as CSV_COLUMNS name it."""
    for who, what, share in _lines(ramps, whose):
        yield (who, what, share.x, share.n, *share_in_full(share))


def _lines(ramps: tuple[Ramp, Ramp], whose: Whose) -> list[Line]:
    named = list(zip((whose.mark, "All surgeons"), ramps, strict=True))
    return [(who, what, getattr(ramp, name)) for what, name in SHARES.items() for who, ramp in named]


def _facts(ramps: tuple[Ramp, Ramp], lines: Sequence[Line], whose: Whose) -> Facts:
    own, everyone = ramps
    return (
        (
            "In words",
            "; ".join(f"{who}, {what}: {counts_said(share)}" for who, what, share in lines[:4]) + ".",
        ),
        ("Counted", RULE),
        ("Operations", f"{own.looked.n:,}; of all surgeons {everyone.looked.n:,}"),
        ("No word of a look", f"{own.not_recorded:,}; of all surgeons {everyone.not_recorded:,}"),
        ("Probed from behind", f"{own.probed:,}; of all surgeons {everyone.probed:,}"),
        *(("In print", _printed(figure)) for figure in ramp_in_print()),
        *methods_facts((PROPORTION_METHOD,), (PROPORTION_REFERENCE,)),
    )


def _printed(figure: PublishedFigure) -> str:
    year = "" if str(figure.published) in figure.citation else f", {figure.published}"
    return f"{_range(figure)}: {figure.what}; {figure.population}. {figure.citation}{year}."


def _range(figure: PublishedFigure) -> str:
    if figure.lower is None:
        return f"{100 * (figure.share or 0):.1f} %"
    return f"{_percents(figure)} ({figure.range_kind})"


def _percents(figure: PublishedFigure) -> str:
    return f"{100 * (figure.lower or 0):g} to {100 * (figure.upper or 0):g} %"


def _table(lines: Sequence[Line]) -> DataTable:
    rows = tuple((f"{who}: {what}", counts_said(share), share_said(share)) for who, what, share in lines)
    columns = ("Operations on ACL-torn knees", "Counts", "Share (95 % interval)")
    return DataTable("Looks and finds: share with 95 % interval.", columns, rows)


# --- the drawing ------------------------------------------------------------------------------


def _plot(lines: Sequence[Line]) -> dict[str, Any]:
    told = [(row, line) for row, line in enumerate(lines) if is_judged(line[2])]
    if not told:
        return {}
    own = [_whisker(row, line) for row, line in told if row % 2 == 0]
    everyone = [_whisker(row, line) for row, line in told if row % 2]
    return {
        "data": [
            whisker_trace(everyone, colour="var:ink-soft", symbol="circle-open"),
            whisker_trace(own, colour="var:series-1", symbol="diamond"),
        ],
        "layout": {
            **rows_layout([f"{who}:<br>{what}" for who, what, _ in lines]),
            "xaxis": {"title": {"text": "Share of operations"}, "range": [-0.04, 1.02], "tickformat": ".0%"},
            "shapes": [_band(figure) for figure in _bands()],
            "annotations": [
                label_above(figure.lower or 0, f"band: found in print, {_percents(figure)}", anchor="left")
                for figure in _bands()
            ],
        },
        "layout_narrow": {
            "font": {"size": 10},
            "yaxis": {"ticktext": [f"{who}:<br>{NARROW[what]}" for who, what, _ in lines]},
            "xaxis": {"title": {"text": "Share"}},
        },
    }


def _bands() -> list[PublishedFigure]:
    return [figure for figure in ramp_in_print() if figure.lower is not None]


def _band(figure: PublishedFigure) -> dict[str, Any]:
    """The published range behind the rows of finds among those looked at."""
    return {
        "type": "rect",
        "layer": "below",
        "x0": figure.lower,
        "x1": figure.upper,
        "y0": -3.5,
        "y1": -1.5,
        "fillcolor": "var:series-4/0.2",
        "line": {"width": 0},
    }


def _whisker(row: int, line: Line) -> Whisker:
    who, what, share = line
    return Whisker(row, share.estimate or 0, share.lower, share.upper, f"{who}, {what}: {share_said(share)}")
