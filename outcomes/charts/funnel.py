"""The funnel: each surgeon's share failed over the number of repairs, between the limits of chance."""

from collections.abc import Iterator, Sequence
from typing import Any

from outcomes import wording
from outcomes.charts.context import Facts, context_facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.whose import YOURS, Whose
from outcomes.estimators.cautions import REPAIRS_FOR_A_POSITION
from outcomes.own.funnel import FunnelPoint, FunnelResult, Limits

CSV_COLUMNS = (
    "surgeon",
    "results",
    "failed",
    "share",
    "lower_95",
    "upper_95",
    "lower_998",
    "upper_998",
)
UNNAMED = "Another surgeon"
# Lines of the two limits, and of the target: told apart by dash and by the words at their ends.
DASHES = {"95": "dash", "998": "dot"}
NAMES = {"95": "95 %", "998": "99.8 %"}
HEIGHT_PX = 420

Trace = dict[str, Any]


def funnel_figure(result: FunnelResult, csv_url: str = "", whose: Whose = YOURS) -> Figure:
    """Draw a funnel; others than the own point have a label only where the result gives them one."""
    return Figure(
        name="own-funnel" if result.own else "funnel",
        title=result.title,
        plot=_plot(result, whose),
        facts=_facts(result, whose),
        cautions=result.cautions,
        table=_table(result, whose),
        csv_url=csv_url,
    )


def funnel_rows(result: FunnelResult, whose: Whose = YOURS) -> Iterator[tuple[object, ...]]:
    """Each point at full precision, limits unclipped, as CSV_COLUMNS name them."""
    for point in result.points:
        unit = point.unit
        limits = (unit.lower_95, unit.upper_95, unit.lower_998, unit.upper_998)
        yield (_label(point, whose), unit.total, unit.events, unit.share, *limits)


def _label(point: FunnelPoint, whose: Whose) -> str:
    return whose.mark if point.is_own else point.label or UNNAMED


# --- table and words --------------------------------------------------------------------------


def _table(result: FunnelResult, whose: Whose) -> DataTable:
    columns = ("Surgeon", "Two-year results", "Failed", "Share", "95 % limits", "99.8 % limits")
    rows = [_row(point, whose) for point in result.points]
    own = result.own
    if own and own not in result.points:
        too_few = (wording.TOO_FEW,) * 3
        rows.append((_label(own, whose), f"{own.unit.total:,}", f"{own.unit.events:,}", *too_few))
    return DataTable(
        f"{result.title}: by number of results, which is no order of merit.", columns, tuple(rows)
    )


def _row(point: FunnelPoint, whose: Whose) -> tuple[str, ...]:
    unit = point.unit
    return (
        _label(point, whose),
        f"{unit.total:,}",
        f"{unit.events:,}",
        wording.percent(unit.share),
        _between(unit.lower_95, unit.upper_95),
        _between(unit.lower_998, unit.upper_998),
    )


def _between(lower: float, upper: float) -> str:
    return f"{100 * max(lower, 0):.1f} to {100 * min(upper, 1):.1f} %"


def _facts(result: FunnelResult, whose: Whose) -> Facts:
    found = result.funnel
    # The estimator speaks of units; here they are surgeons.
    method = found.method.replace("each unit's", "each surgeon's") if found else ""
    methods = ((method,), (found.reference,)) if found else ((), ())
    return (
        ("In words", _in_words(result, whose)),
        ("Counted", result.rule),
        ("Two-year results", f"{result.results:,}, of which failed {result.failures:,}"),
        *((("Differences beyond chance", _dispersion(result)),) if found else ()),
        ("Without a place", _without_place(result)),
        *context_facts(result.context),
        *methods_facts(*methods),
    )


def _in_words(result: FunnelResult, whose: Whose) -> str:
    if result.funnel is None or not result.points:
        return "Nobody has two-year results enough for a place."
    target = wording.percent(result.funnel.target)
    people = wording.counted(len(result.points), "surgeon")
    said = f"{people} around the shared {target}, between curved limits that narrow with more repairs."
    if result.own is None:
        return said
    return f"{said} {whose.mark}: {_place(result.own)}"


def _place(own: FunnelPoint) -> str:
    unit = own.unit
    counts = f"{unit.events:,} of {unit.total:,} failed"
    if not unit.position_drawn:
        return f"{counts}; too few for a place."
    where = "within both limits"
    if not unit.lower_998 <= unit.share <= unit.upper_998:
        where = "outside the 99.8 % limits"
    elif not unit.lower_95 <= unit.share <= unit.upper_95:
        where = "outside the 95 % limits, within the 99.8 % limits"
    return f"{counts}, {wording.percent(unit.share)}, {where}."


def _dispersion(result: FunnelResult) -> str:
    dispersion = result.funnel.over_dispersion if result.funnel else None
    if dispersion is None:
        return "not defined: all failed, or none"
    return f"mean squared z-score {dispersion:.2f}; about 1 where only chance is at work"


def _without_place(result: FunnelResult) -> str:
    few = wording.counted(result.without_place, "other surgeon")
    said = [f"{few} with fewer than {REPAIRS_FOR_A_POSITION} two-year results"]
    if result.hidden:
        said.append("the only other surgeon, whom a point without name would name")
    return "; ".join(said)


# --- the drawing ------------------------------------------------------------------------------


def _plot(result: FunnelResult, whose: Whose) -> dict[str, Any]:
    if result.limits is None or result.funnel is None:
        return {}
    target = result.funnel.target
    own = [point for point in result.points if point.is_own]
    others = [point for point in result.points if not point.is_own]
    data = [*_limit_lines(result.limits), _target_line(result.limits, target)]
    data += [_marks(points, target) for points in (others, own) if points]
    return {
        "data": data,
        "layout": _layout(result, result.limits, whose, target),
        "layout_narrow": {"margin": {"l": 46, "r": 52}, "font": {"size": 11}},
    }


def _limit_lines(limits: Limits) -> Iterator[Trace]:
    for level, dash in DASHES.items():
        for side in ("lower", "upper"):
            yield {
                "type": "scatter",
                "mode": "lines",
                "x": list(limits.repairs),
                "y": list(getattr(limits, f"{side}_{level}")),
                "line": {"color": "var:ink-soft", "dash": dash, "width": 1.4},
                "hoverinfo": "skip",
            }


def _target_line(limits: Limits, target: float) -> Trace:
    return {
        "type": "scatter",
        "mode": "lines",
        "x": [limits.repairs[0], limits.repairs[-1]],
        "y": [target, target],
        "line": {"color": "var:ink", "width": 1.2},
        "hoverinfo": "skip",
    }


def _marks(points: Sequence[FunnelPoint], target: float) -> Trace:
    own = points[0].is_own
    return {
        "type": "scatter",
        "mode": "markers+text" if any(point.label for point in points) and not own else "markers",
        "x": [point.unit.total for point in points],
        "y": [point.unit.share for point in points],
        "text": [point.label for point in points],
        # Away from the middle, where most points are.
        "textposition": [f"{'top' if p.unit.share >= target else 'bottom'} center" for p in points],
        "hovertemplate": "%{y:.1%} of %{x}<extra></extra>",
        "marker": {
            "symbol": "diamond" if own else "circle-open",
            "size": 13 if own else 9,
            "color": "var:series-1" if own else "var:ink-soft",
        },
        "cliponaxis": False,
    }


def _layout(result: FunnelResult, limits: Limits, whose: Whose, target: float) -> dict[str, Any]:
    last = limits.repairs[-1]
    highest = max(limits.upper_95[len(limits.repairs) // 4], *(point.unit.share for point in result.points))
    top = min(1.02, round(highest * 1.25 + 0.05, 2))
    return {
        "showlegend": False,
        "height": HEIGHT_PX,
        "margin": {"l": 64, "r": 64, "t": 16, "b": 52},
        "xaxis": {
            "title": {"text": "Repairs with a two-year result", "standoff": 6},
            "range": [0, last],
            "showgrid": False,
            "ticks": "outside",
        },
        "yaxis": {"title": {"text": "Failed within 2 years"}, "range": [0, top], "tickformat": ".0%"},
        "annotations": [*_ends(limits, target), *_own_label(result, limits, whose)],
    }


def _ends(limits: Limits, target: float) -> Iterator[Trace]:
    """What each line is, at its right end."""
    last = limits.repairs[-1]
    named = [("shared", target), *((NAMES[level], getattr(limits, f"upper_{level}")[-1]) for level in DASHES)]
    for text, place in named:
        yield _note(text, last, place, "left", "var:ink-soft")


def _own_label(result: FunnelResult, limits: Limits, whose: Whose) -> Iterator[Trace]:
    for point in result.points:
        if point.is_own:
            # On the side where there is more room.
            side, away = ("right", -10) if 2 * point.unit.total > limits.repairs[-1] else ("left", 10)
            note = _note(whose.mark, point.unit.total, point.unit.share, side, "var:series-1")
            yield note | {"xshift": away, "font": {"color": "var:series-1", "weight": 700}}


def _note(text: str, x: float, y: float, anchor: str, colour: str) -> Trace:
    return {
        "text": text,
        "x": x,
        "y": y,
        "xanchor": anchor,
        "yanchor": "middle",
        "xshift": 4,
        "showarrow": False,
        "font": {"size": 11, "color": colour},
    }
