"""What figures of agreement share: estimates in words, and rows of them told apart by a legend."""

from collections.abc import Sequence
from textwrap import wrap
from typing import Any

from outcomes import wording
from outcomes.charts.whiskers import rows_layout
from outcomes.estimators.agreement import Kappa
from outcomes.estimators.rates import Proportion

# Height in pixels of the legend over the rows, which stands on two lines on a narrow screen.
LEGEND_PX = 24
# Two marks of one row lie so many rows above and below its middle.
APART = 0.14
NARROW_CHARACTERS = 16


def told_apart(
    traces: list[dict[str, Any]],
    rows_of: Sequence[tuple[str, int]],
    axis: dict[str, Any],
    shapes: Sequence[dict[str, Any]] = (),
) -> dict[str, Any]:
    """Rows of whiskers, each with name and number of tears, under a legend that tells the traces apart."""
    rows = rows_layout([f"{name}<br>n = {n:,}" for name, n in rows_of])
    narrow = ["<br>".join([*wrap(name, NARROW_CHARACTERS), f"n = {n:,}"]) for name, n in rows_of]
    legend = {"orientation": "h", "x": 0, "xanchor": "left", "y": 1, "yanchor": "bottom"}
    return {
        "data": traces,
        "layout": {
            **rows,
            "height": rows["height"] + LEGEND_PX,
            "margin": {**rows["margin"], "t": rows["margin"]["t"] + LEGEND_PX},
            "showlegend": True,
            "legend": legend,
            "xaxis": axis,
            "shapes": list(shapes),
        },
        "layout_narrow": {
            "font": {"size": 11},
            "margin": {"l": 12, "r": 20},
            "yaxis": {"ticktext": narrow},
            "xaxis": {"tickvals": [0, 0.5, 1], "title": {"text": axis["title"]["text"].partition(" (")[0]}},
        },
    }


def shifted(trace: dict[str, Any], rows: float) -> dict[str, Any]:
    """A trace of whiskers so many rows further down, beside another of the same rows."""
    return {**trace, "y": [y - rows for y in trace["y"]]}


def few_or(text: str, n: int, shown: bool, start: str = "") -> str:
    """What is known of n tears, "too few" where it may not be shown, a dash where there are none."""
    if not n:
        return "-"
    return f"{start}{text if shown else wording.TOO_FEW}"


def share_text(share: Proportion) -> str:
    """As "82.1 % (78.0 to 85.6)"; a dash where nobody stands behind it."""
    if share.estimate is None or share.lower is None or share.upper is None:
        return "-"
    return wording.with_limits(share.estimate, share.lower, share.upper)


def kappa_text(found: Kappa | None) -> str:
    """As "0.72 (0.55 to 0.89)"; a dash where both put all into one class, so that chance explains all."""
    if found is None or found.estimate is None or found.lower is None or found.upper is None:
        return "-"
    # Adding 0 takes the sign off a zero.
    kappa, lower, upper = (round(value, 2) + 0.0 for value in (found.estimate, found.lower, found.upper))
    return f"{kappa:.2f} ({lower:.2f} to {upper:.2f})"
