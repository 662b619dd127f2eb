"""Repairs standing at two years as followed, and at both bounds of what may have become of the lost."""

from collections.abc import Iterator, Sequence
from math import inf
from typing import Any

from outcomes import wording
from outcomes.analyses.lost import LostResult
from outcomes.charts.context import Facts, context_facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.whiskers import Whisker, label_above, line_down, rows_layout, whisker_trace
from outcomes.estimators.sensitivity import Bounds, TippingPoint
from outcomes.estimators.survival import Landmark
from outcomes.published import PublishedFigure

CSV_COLUMNS = ("assumption", "day", "at_risk", "survival", "lower_95", "upper_95")

AS_FOLLOWED, ALL_FAILED, NONE_FAILED = "As followed", "Every lost repair failed", "No lost repair ever failed"


def lost_figure(result: LostResult, csv_url: str = "") -> Figure:
    """Draw the bounds, with the published share that the tipping point asks about."""
    return Figure(
        name="lost-to-follow-up",
        title=result.title,
        plot=_plot(result),
        facts=_facts(result),
        cautions=result.cautions,
        table=lost_table(result),
        csv_url=csv_url,
    )


def lost_table(result: LostResult) -> DataTable:
    """The share standing at two years under each assumption, with interval and number at risk."""
    rows = tuple(
        (label, wording.share_with_interval(point), f"{point.at_risk:,}") for label, point in _points(result)
    )
    caption = f"{result.title}: share with 95 % interval."
    return DataTable(caption, ("What became of the lost", "Standing at 2 years", "At risk then"), rows)


def lost_rows(result: LostResult) -> Iterator[tuple[object, ...]]:
    """The numbers of the table at full precision, as CSV_COLUMNS name them."""
    for label, point in _points(result):
        yield (label, result.at, point.at_risk, point.survival, point.lower, point.upper)


def _points(result: LostResult) -> list[tuple[str, Landmark]]:
    """Each assumption with the share that stands under it."""
    bounds = result.bounds
    if bounds is None:
        return []
    return [
        (NONE_FAILED, bounds.lost_never_failed),
        (AS_FOLLOWED, bounds.as_followed),
        (ALL_FAILED, bounds.lost_failed),
    ]


def _facts(result: LostResult) -> Facts:
    operated_long_ago = (
        f"{result.lost:,}: last known before two years, though operated on at least as long ago"
    )
    return (
        ("In words", in_words(result)),
        *context_facts(result.context),
        ("Lost before 2 years", operated_long_ago),
        ("Published share", _published(result.published)),
        *methods_facts(result.methods, result.references),
    )


def _published(figure: PublishedFigure) -> str:
    return (
        f"{_failures(figure)} failed at {figure.follow_up} ({figure.range_kind}); {figure.population}; "
        f"{figure.what}; failure: {figure.definition}. {figure.citation}."
    )


def _failures(figure: PublishedFigure) -> str:
    share, lower, upper = (_whole(part) for part in (figure.share, figure.lower, figure.upper))
    return f"{share} % ({lower} to {upper})"


def _whole(share: float | None) -> str:
    return f"{100 * (share or 0):.0f}"


# --- in words ---------------------------------------------------------------------------------


def in_words(result: LostResult) -> str:
    """Bounds and tipping point, for who cannot see the drawing."""
    bounds, tipping = result.bounds, result.tipping
    if bounds is None or tipping is None:
        return "Too few repairs to say what the lost could change."
    if tipping.survival is None:
        return "No repair was followed for two years yet, so nothing can be said of the lost."
    return f"{_bounds_in_words(bounds)} {tipping_in_words(tipping, result.published)}"


def _bounds_in_words(bounds: Bounds) -> str:
    followed, worst, best = (
        wording.share_with_interval(point)
        for point in (bounds.as_followed, bounds.lost_failed, bounds.lost_never_failed)
    )
    said = f"At two years {followed} still stand as followed"
    if not bounds.lost:
        return f"{said}; nobody was lost."
    return f"{said}, {worst} if every lost repair failed when it was lost, {best} if none ever failed."


def tipping_in_words(tipping: TippingPoint, figure: PublishedFigure) -> str:
    """How much worse the lost must have fared for fewer to stand than after the published failures."""
    left = f"{_whole(tipping.threshold)} % standing"
    return f"Published failures of {_failures(figure)} leave {left}. {_tips(tipping)}"


def _tips(tipping: TippingPoint) -> str:
    if not tipping.holds:
        return "Here fewer stand as followed, so there is no tipping point."
    if tipping.ratio is None:
        even = " even with every lost repair failed when it was lost" if tipping.lost else ""
        return f"Here no fewer stand{even}."
    if tipping.ratio == inf:
        return (
            "Here fewer would stand only if lost repairs failed when they were lost: of those followed none "
            "failed later, so no hazard ratio tips it."
        )
    return (
        f"Here fewer would stand if the lost had, after their loss, more than {tipping.ratio:,.1f} times the "
        "hazard of those still followed (tipping point)."
    )


# --- the drawing ------------------------------------------------------------------------------


def _plot(result: LostResult) -> dict[str, Any]:
    drawn = [(label, point) for label, point in _points(result) if point.survival is not None]
    if not drawn:
        return {}
    labels = [label.replace(" repair", "<br>repair") for label, _ in drawn]
    return {
        "data": [whisker_trace(_whiskers(drawn), colour="var:series-1", symbol="circle")],
        "layout": {
            **rows_layout(labels),
            "xaxis": {
                "title": {"text": "Standing at two years", "standoff": 6},
                "range": [0, 1.02],
                "tickformat": ".0%",
            },
            "shapes": [_band(result.published), line_down(1 - (result.published.share or 0))],
            "annotations": [_band_label(result.published)],
        },
        "layout_narrow": {"margin": {"l": 8, "r": 12}, "font": {"size": 11}},
    }


def _whiskers(drawn: Sequence[tuple[str, Landmark]]) -> list[Whisker]:
    return [
        Whisker(row, point.survival or 0.0, point.lower, point.upper, f"{label}: {said}")
        for row, (label, point) in enumerate(drawn)
        if (said := wording.share_with_interval(point))
    ]


def _band(figure: PublishedFigure) -> dict[str, Any]:
    return {
        "type": "rect",
        "layer": "below",
        "xref": "x",
        "yref": "paper",
        "x0": 1 - (figure.upper or 0),
        "x1": 1 - (figure.lower or 0),
        "y0": 0,
        "y1": 1,
        "fillcolor": "var:ink-soft/0.14",
        "line": {"width": 0},
    }


def _band_label(figure: PublishedFigure) -> dict[str, Any]:
    first_author = figure.citation.split()[0]
    said = f"failed in {first_author} et al. {figure.published}: {_failures(figure)}"
    return label_above(1 - (figure.lower or 0), said, anchor="right")
