"""Published figures as numbered bands or lines at the years they were read at, and the key to the numbers."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any

from outcomes import wording
from outcomes.analyses.in_print import Beside
from outcomes.published import PublishedFigure

COLOUR = "var:series-2"
# The axis goes on to here, so that what was read at five years and more has room for its numbers.
LEAST_MONTHS = 96
# What was read at one time is drawn this far to either side of it.
HALF_MONTHS = 3
# How far along its line the number of a closed stretch stands.
EARLY = 0.25
# A line of the key, and the room it takes beside the drawing.
KEY_PX, KEY_WIDTH_PX = 19, 186

Trace = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Band:
    """A published figure in the drawing: its months, its shares, and where its number stands."""

    one: Beside
    start: float
    end: float
    number_at: float

    @property
    def middle(self) -> float:
        """Where its line, or the middle of its range, lies."""
        figure = self.one.figure
        if figure.share is not None:
            return figure.share
        return ((figure.lower or 0) + (figure.upper or 0)) / 2


def _share(figure: PublishedFigure) -> str:
    return printed(figure) if figure.share is None else wording.percent(figure.share)


def printed(figure: PublishedFigure) -> str:
    """A published share with its range and what kind of range that is."""
    share = "" if figure.share is None else wording.percent(figure.share)
    if figure.lower is None or figure.upper is None:
        return share or "not given"
    limits = f"{100 * figure.lower:.1f} to {100 * figure.upper:.1f}, {figure.range_kind}"
    return f"{share} ({limits})" if share else limits


def bands_of(drawn: Sequence[Beside], months: int) -> Iterator[Band]:
    """Where each stands; numbers of those that start together stand side by side along their lines."""
    together: dict[float, list[int]] = defaultdict(list)
    for one in drawn:
        together[one.figure.from_years or 0].append(one.number)
    for one in drawn:
        start, end = _months(one.figure, months)
        sharing = together[one.figure.from_years or 0]
        rank = (sharing.index(one.number) + 0.5) / len(sharing)
        # Of a closed stretch early on, so that it keeps clear of those that start at its middle.
        place = start + (end - start) * (rank if one.figure.to_years is None else EARLY)
        yield Band(one, start, end, place)


def _months(figure: PublishedFigure, months: int) -> tuple[float, float]:
    start = 12 * (figure.from_years or 0)
    if figure.to_years is None:
        return start, float(months)
    end = 12 * figure.to_years
    return (start - HALF_MONTHS, end + HALF_MONTHS) if start == end else (start, min(end, months))


def top_of(bands: Sequence[Band]) -> float:
    """Where the axis must end at the least: a whole tenth with room above every band."""
    highest = max([0.0, *(band.one.figure.upper or band.middle for band in bands)])
    return min(1.0, ceil(10 * highest + 0.5) / 10)


def band_traces(band: Band) -> Iterator[Trace]:
    """Its range as an area, its share as a line: dashed where failure was defined otherwise than here."""
    figure = band.one.figure
    if figure.lower is not None and figure.upper is not None:
        yield {
            "type": "scatter",
            "mode": "lines",
            "x": [band.start, band.end, band.end, band.start, band.start],
            "y": [figure.upper, figure.upper, figure.lower, figure.lower, figure.upper],
            "fill": "toself",
            "fillcolor": f"{COLOUR}/0.12",
            "line": {"width": 0.8, "color": f"{COLOUR}/0.5"},
            "hoverinfo": "skip",
        }
    if figure.share is not None:
        name = f"{band.one.number}. {band.one.source}, {figure.what}: {printed(figure)}"
        yield {
            "type": "scatter",
            "mode": "lines",
            "name": name,
            "x": [band.start, band.end],
            "y": [figure.share, figure.share],
            "line": {"color": COLOUR, "width": 2, "dash": "solid" if band.one.same_kind else "dash"},
            "hovertemplate": f"{name}<extra></extra>",
        }


def number_of(band: Band) -> Trace:
    """Its number, on its line."""
    return {
        "text": f"{band.one.number}",
        "x": band.number_at,
        "y": band.middle,
        "xanchor": "center",
        "yanchor": "middle",
        "showarrow": False,
        "bgcolor": "var:surface",
        "borderpad": 1,
        "font": {"size": 11, "weight": 700, "color": COLOUR},
    }


def key_of(drawn: Sequence[Beside], height: int) -> list[Trace]:
    """Which number is whose, right of the drawing."""
    return [
        {
            "text": f"{one.number}. {one.source}: {_share(one.figure)}",
            "xref": "paper",
            "yref": "paper",
            "x": 1.02,
            "y": 1 - KEY_PX * place / height,
            "xanchor": "left",
            "yanchor": "top",
            "showarrow": False,
            "font": {"size": 12, "color": COLOUR},
        }
        for place, one in enumerate(drawn)
    ]
