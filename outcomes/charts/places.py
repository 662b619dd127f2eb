"""Both menisci from above, each place shaded and numbered by the share of its repairs that failed."""

from collections.abc import Iterator, Sequence
from typing import Any

from outcomes import wording
from outcomes.analyses.places import Place, PlacesResult
from outcomes.charts.context import context_facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from registry.tear_map import WIDTH, Cell, Side, rows, tear_map

SIDE: Side = "right"
HUE = "var:series-1"
# One hue, darker with the share: up to which share, how dark, and how the key says it. Ink stays legible on
# the darkest.
SHADES = (
    (0.0, 0.04, "0 %"),
    (0.1, 0.14, "to 10 %"),
    (0.2, 0.24, "to 20 %"),
    (0.3, 0.34, "to 30 %"),
    (1.0, 0.45, "over 30 %"),
)
NONE_OPACITY = 0.0
PX, NARROW_PX = 580, 300
FONT_PX, NARROW_FONT_PX, COUNTS_FONT_PX = 13, 8, 9
# Where the key stands, and where the drawing ends: below both menisci, in the map's own units.
KEY_AT, BOTTOM, TOP = 308, 326, 14

Trace = dict[str, Any]
Placed = tuple[Cell, Place]


def places_figure(result: PlacesResult, csv_url: str = "") -> Figure:
    """Draw the places of a cohort's repairs."""
    return Figure(
        name="failures-by-place",
        title=result.title,
        plot=_plot(result) if result.places else {},
        facts=_facts(result),
        cautions=result.cautions,
        table=places_table(result),
        csv_url=csv_url,
    )


def places_table(result: PlacesResult) -> DataTable:
    """Every place with repairs, those without a rim zone too."""
    columns = (
        "Place",
        "Repairs",
        "Failures",
        "Failed within two years",
        "Followed for two years or failed before",
        "Share failed within two years",
    )
    rows_of = tuple(_cells(place) for place in result.places)
    return DataTable(f"{result.title}: share with 95 % interval.", columns, rows_of)


def _cells(place: Place) -> tuple[str, ...]:
    share = place.by_two_years
    return (
        place.words,
        f"{place.n:,}",
        f"{place.failures:,}",
        f"{share.x:,}",
        f"{share.n:,}",
        share_with_interval(place) if place.is_shown else wording.TOO_FEW,
    )


def share_with_interval(place: Place) -> str:
    """The share that failed within two years, with its limits."""
    share = place.by_two_years
    if share.estimate is None or share.lower is None or share.upper is None:
        return "-"
    limits = f"{100 * share.lower:.1f} to {100 * share.upper:.1f}"
    return f"{wording.percent(share.estimate)} ({limits})"


def _facts(result: PlacesResult) -> tuple[tuple[str, str], ...]:
    no_zone = sum(place.n for place in result.places if place.zone is None)
    placed = (
        f"{wording.counted(result.n, 'repair')}, of which failed {result.failures:,}; "
        f"{no_zone:,} of them without a rim zone, in the table only"
    )
    return (
        ("In words", _alternative(result)),
        *context_facts(result.context),
        ("On the map", placed),
        ("Not on the map", f"{result.not_placed:,}, of which failed {result.not_placed_failures:,}"),
        (
            "Numbers",
            "Bold: per cent failed within two years. Small: failures / repairs, where too few for a share. "
            "Drawn as a right knee; left knees are turned over.",
        ),
        *methods_facts(result.methods, result.references),
    )


def _alternative(result: PlacesResult) -> str:
    """What the drawing shows, for who cannot see it."""
    shown = [place for place in result.places if place.is_shown and place.zone]
    if not shown:
        return "Both menisci from above; no place has enough repairs for a share."
    ranked = sorted(shown, key=lambda place: -(place.by_two_years.estimate or 0))
    ends = "; ".join(f"{place.words}: {share_with_interval(place)}" for place in ranked[:3])
    return (
        f"Both menisci from above, {wording.counted(len(shown), 'place')} shaded by the share failed. "
        f"Highest: {ends}."
    )


# --- the drawing ------------------------------------------------------------------------------


def _plot(result: PlacesResult) -> dict[str, Any]:
    places = {(place.meniscus, place.step, place.zone): place for place in result.places}
    cells = [cell for row in rows(SIDE) for cell in row.cells]
    placed = [
        (cell, place)
        for cell in cells
        if (place := places.get((cell.meniscus, cell.step, cell.zone))) is not None
    ]
    opacity = {(cell.meniscus, cell.step, cell.zone): _opacity(place) for cell, place in placed}
    shapes = [
        _path(cell.path, opacity.get((cell.meniscus, cell.step, cell.zone), NONE_OPACITY)) for cell in cells
    ]
    numbers = [*_numbers(placed)]
    return {
        "data": [_hover(placed), *numbers],
        "layout": _layout([*shapes, *_outlines(), *_key_boxes()], [*_names(), *_key_words()]),
        "layout_narrow": {"height": NARROW_PX, "font": {"size": NARROW_FONT_PX}},
    }


def _opacity(place: Place) -> float:
    share = place.by_two_years.estimate
    if not place.is_shown or share is None:
        return NONE_OPACITY
    return next(opacity for most, opacity, _ in SHADES if share <= most)


def _path(path: str, opacity: float) -> Trace:
    return {
        "type": "path",
        "path": path,
        "layer": "below",
        "fillcolor": f"{HUE}/{opacity:g}",
        "line": {"color": "var:grid", "width": 1},
    }


def _outlines() -> Iterator[Trace]:
    drawing = tear_map(SIDE)
    for path in (*drawing.outlines, *drawing.thirds):
        yield {
            "type": "path",
            "path": path,
            "layer": "below",
            "line": {"color": "var:ink-soft", "width": 1.4},
        }


def _numbers(placed: Sequence[Placed]) -> Iterator[Trace]:
    """Shares in bold; counts small and soft."""
    shown = [
        (cell, f"{100 * (place.by_two_years.estimate or 0):.0f}") for cell, place in placed if place.is_shown
    ]
    counts = [(cell, f"{place.failures}/{place.n}") for cell, place in placed if not place.is_shown]
    # The bold ones take the layout's size, smaller on a narrow screen; the small ones stay away there.
    for told, font, on_narrow in (
        (shown, {"weight": 700, "color": "var:ink"}, True),
        (counts, {"color": "var:ink-soft", "size": COUNTS_FONT_PX}, False),
    ):
        yield {
            "type": "scatter",
            "mode": "text",
            "x": [cell.centre.x for cell, _ in told],
            "y": [cell.centre.y for cell, _ in told],
            "text": [text for _, text in told],
            "textfont": font,
            "hoverinfo": "skip",
            "meta": {"narrow": on_narrow},
        }


def _hover(placed: Sequence[Placed]) -> Trace:
    """What the pointer shows of each place."""
    return {
        "type": "scatter",
        "mode": "markers",
        "x": [cell.centre.x for cell, _ in placed],
        "y": [cell.centre.y for cell, _ in placed],
        "marker": {"size": 22, "opacity": 0},
        "text": [_told(place) for _, place in placed],
        "hovertemplate": "%{text}<extra></extra>",
    }


def _told(place: Place) -> str:
    counts = f"{wording.counted(place.n, 'repair')}, {wording.counted(place.failures, 'failure')}"
    share = f"<br>within two years {share_with_interval(place)}" if place.is_shown else ""
    return f"{place.words}<br>{counts}{share}"


def _names() -> Iterator[Trace]:
    for label in tear_map(SIDE).labels:
        yield _word(label.text, label.at.x, label.at.y)


def _word(text: str, x: float, y: float, anchor: str = "center") -> Trace:
    return {
        "text": text,
        "x": x,
        "y": y,
        "xanchor": anchor,
        "yanchor": "middle",
        "showarrow": False,
        "font": {"color": "var:ink-soft"},
    }


def _key_boxes() -> Iterator[Trace]:
    for place, (_, opacity, _) in enumerate(SHADES):
        yield {
            "type": "rect",
            "x0": _key_at(place),
            "x1": _key_at(place) + 16,
            "y0": KEY_AT - 7,
            "y1": KEY_AT + 7,
            "fillcolor": f"{HUE}/{opacity:g}",
            "line": {"color": "var:ink-soft", "width": 1},
        }


def _key_words() -> Iterator[Trace]:
    for place, (_, _, said) in enumerate(SHADES):
        yield _word(said, _key_at(place) + 21, KEY_AT, "left")


def _key_at(place: int) -> int:
    return 24 + 84 * place


def _layout(shapes: list[Trace], annotations: list[Trace]) -> dict[str, Any]:
    hidden = {"visible": False, "showgrid": False, "zeroline": False}
    return {
        "showlegend": False,
        "height": PX,
        "font": {"size": FONT_PX},
        "margin": {"l": 4, "r": 4, "t": 4, "b": 4},
        "xaxis": {**hidden, "range": [0, WIDTH], "constrain": "domain"},
        "yaxis": {
            **hidden,
            "range": [BOTTOM, TOP],
            "scaleanchor": "x",
            "scaleratio": 1,
            "constrain": "domain",
        },
        "shapes": shapes,
        "annotations": annotations,
    }
