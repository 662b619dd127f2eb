"""Several step curves in one drawing, with the numbers at risk in rows under the axis."""

from collections.abc import Iterator, Sequence
from itertools import accumulate
from operator import itemgetter

from outcomes.charts.step_curves import Drawn, Trace, curve_traces, tick_months
from outcomes.charts.steps import CURVES_PX, AtRiskRow, over_numbers_at_risk
from outcomes.charts.thinning import half_a_pixel

# Labels at the ends of curves keep this distance (share of the y axis), so that they do not overlap.
LABEL_GAP = 0.065
# The whole share, and room for the line at 1.
AXIS = (0.0, 1.02)
# A label stands on its place: higher up it would leave the axis.
HIGHEST_LABEL = 0.97
STANDING, FAILED = "Repairs still standing", "One less the share standing"


def step_plot(curves: Sequence[Drawn], *, as_failure: bool = False) -> Trace:
    """All curves in one drawing, with the numbers at risk in rows under the axis; empty without curves."""
    if not curves:
        return {}
    ticks = tick_months(of.group for of in curves)
    least = half_a_pixel(CURVES_PX, AXIS[1] - AXIS[0])
    traces = [trace for of in curves for trace in curve_traces(of, least)]
    labels = list(_labels(curves, upward=as_failure))
    title = FAILED if as_failure else STANDING
    return over_numbers_at_risk(traces, [_row(of) for of in curves], ticks, [*AXIS], title, labels)


def _row(of: Drawn) -> AtRiskRow:
    return AtRiskRow(of.label, of.look.colour, lambda day: of.curve.at(day).at_risk)


def _labels(curves: Sequence[Drawn], *, upward: bool) -> Iterator[Trace]:
    """The name of each group at the end of its curve, pushed apart where curves end together."""
    ends = sorted(((of.share[-1] + 0.01, of) for of in curves), key=itemgetter(0))
    places = _apart([place for place, _ in ends], upward=upward)
    for place, (_, of) in zip(places, ends, strict=True):
        yield {
            "text": of.label,
            "x": of.months[-1],
            "y": place,
            "xanchor": "right",
            "yanchor": "bottom",
            "showarrow": False,
            "font": {"color": of.look.colour, "weight": 700},
        }


def _apart(wanted: Sequence[float], *, upward: bool) -> list[float]:
    """Rising places at least LABEL_GAP apart, pushed away from where the curves came from, on the axis."""
    rungs = [LABEL_GAP * rung for rung in range(len(wanted))]
    if upward:
        lifted = accumulate(wanted, lambda below, own: max(own, below + LABEL_GAP))
        return [min(place, HIGHEST_LABEL - rung) for place, rung in zip(lifted, reversed(rungs), strict=True)]
    lowered = accumulate(reversed(wanted), lambda above, own: min(own, above - LABEL_GAP))
    kept = [min(place, HIGHEST_LABEL - rung) for place, rung in zip(lowered, rungs, strict=True)]
    return [max(place, rung) for place, rung in zip(reversed(kept), rungs, strict=True)]
