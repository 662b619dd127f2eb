"""Shares one a row, with their intervals: what is drawn wherever a briefing counts."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes import wording
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.shares import counts_said
from outcomes.charts.whiskers import Whisker, rows_layout, whisker_trace
from outcomes.estimators.rates import PROPORTION_METHOD, PROPORTION_REFERENCE, Proportion

Facts = tuple[tuple[str, str], ...]
Row = tuple[str, Proportion]

METHOD: Facts = (("Method", PROPORTION_METHOD), ("References", PROPORTION_REFERENCE))


def is_told(share: Proportion, fewest: int) -> bool:
    """Whether enough stand behind a share for it to be told."""
    return share.n >= fewest and not share.counts_only


def share_said(share: Proportion, fewest: int) -> str:
    """A share as "36.8 % (19.1 to 59.0)"; of too few that they are."""
    if not is_told(share, fewest) or share.lower is None or share.upper is None:
        return wording.TOO_FEW
    return wording.with_limits(share.estimate, share.lower, share.upper)


def shares_table(caption: str, head: str, rows: Sequence[Row], fewest: int) -> DataTable:
    """Counts and shares, one a row."""
    cells = tuple((label, counts_said(share), share_said(share, fewest)) for label, share in rows)
    return DataTable(caption, (head, "Counts", "Share (95 % interval)"), cells)


def shares_figure(
    name: str,
    title: str,
    head: str,
    rows: Sequence[Row],
    fewest: int,
    facts: Facts = (),
    cautions: tuple[str, ...] = (),
) -> Figure:
    """Draw the shares that are told, from 0 to 1."""
    told = [(row, label, share) for row, (label, share) in enumerate(rows) if is_told(share, fewest)]
    words = "; ".join(f"{label}: {share_said(share, fewest)}" for _, label, share in told)
    return Figure(
        name=name,
        title=title,
        plot=_plot(told, [label for label, _ in rows]) if told else {},
        facts=(("In words", f"{words or 'Too few for a share'}."), *facts, *METHOD),
        cautions=cautions,
        table=shares_table(f"{title}.", head, rows, fewest),
    )


def _plot(told: Sequence[tuple[int, str, Proportion]], labels: Sequence[str]) -> dict[str, object]:
    points = [
        Whisker(row, share.estimate or 0.0, share.lower, share.upper, f"{label}: {counts_said(share)}")
        for row, label, share in told
    ]
    return {
        "data": [whisker_trace(points, colour="var:series-1", symbol="circle")],
        "layout": {
            **rows_layout(labels),
            "xaxis": {"title": {"text": "Share"}, "range": [-0.02, 1.02], "tickformat": ".0%"},
        },
        "layout_narrow": {"margin": {"l": 8, "r": 12}, "font": {"size": 11}},
    }
