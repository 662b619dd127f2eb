"""Step curves of repairs, standing or turned round to failed: line, interval, censor ticks."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from outcomes.charts import steps, thinning
from outcomes.charts.steps import FADED, Look, holding, stairs
from outcomes.charts.thinning import Point, thinned
from outcomes.estimators.cautions import FEW_AT_RISK
from outcomes.estimators.survival import SurvivalCurve
from outcomes.results import Group
from outcomes.wording import DAYS_PER_MONTH

# Censor ticks closer than this many months would be one smear of ink.
TICK_GAP_MONTHS = 0.5

Trace = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Drawn:
    """One group's curve ready to be drawn: months, and shares standing or, turned round, failed.

    Limits are None where undefined; before the first failure both are the curve itself. `sure` steps lead
    up to where fewer than FEW_AT_RISK are left for good; late entries may bring them back before. `behind` is
    the address of the failures behind the steps, if there is one.
    """

    group: Group
    look: Look
    months: tuple[float, ...]
    share: tuple[float, ...]
    lower: tuple[float | None, ...]
    upper: tuple[float | None, ...]
    sure: int
    behind: str = ""

    @property
    def label(self) -> str:
        return self.group.label

    @property
    def curve(self) -> SurvivalCurve:
        return self.group.curve

    def steps(self, first: int, last: int) -> list[int]:
        """From one place to another, both drawn, those where the share steps: the others lie on the line."""
        between = range(first + 1, last)
        return [
            first,
            *(p for p in between if self.share[p] != self.share[p - 1]),
            *([last] if last > first else []),
        ]

    def line(self, first: int, last: int, least: float) -> list[Point]:
        """Month and share where the line visibly steps, from one place to another and with both."""
        places = self.steps(first, last)
        months, share = rounded(self.months[place] for place in places), [self.share[p] for p in places]
        return thinned(list(zip(months, share, strict=True)), least, holding(months))

    def limits(self, least: float) -> list[Point]:
        """Month and limits where they visibly step, as far as they are sure and defined."""
        columns = [(self.months[p], self.lower[p], self.upper[p]) for p in self.steps(0, self.sure)]
        known = [
            (round(month, 2), low, high) for month, low, high in columns if not (low is None or high is None)
        ]
        return thinned(known, least, holding([month for month, *_ in known]))


def drawn(group: Group, look: Look, *, as_failure: bool = False, behind: str = "") -> Drawn:
    """Make a group ready to be drawn."""
    curve = group.curve
    months = (0.0, *(day / DAYS_PER_MONTH for day in curve.time))
    limits = zip(curve.survival, curve.lower, curve.upper, strict=True)
    lower, upper = zip(
        (1.0, 1.0), *((1.0, 1.0) if s == 1 else (low, high) for s, low, high in limits), strict=True
    )
    if as_failure:
        lower, upper = upper, lower
    return Drawn(
        group,
        look,
        months,
        _turned((1.0, *curve.survival), as_failure),
        _turned(lower, as_failure),
        _turned(upper, as_failure),
        _sure_steps(curve),
        behind,
    )


def _sure_steps(curve: SurvivalCurve) -> int:
    enough = [place for place, at_risk in enumerate(curve.at_risk) if at_risk >= FEW_AT_RISK]
    return enough[-1] + 1 if enough else 0


def _turned(shares: Iterable[Any], as_failure: bool) -> tuple[Any, ...]:
    return tuple(1 - share if as_failure and share is not None else share for share in shares)


def tick_months(groups: Iterable[Group], *, fewer: bool = False) -> list[int]:
    """Months of the axis: every half year of short follow-up, else every year, or half as many."""
    return steps.tick_months(max(group.curve.time[-1] for group in groups), fewer=fewer)


def rounded(months: Iterable[float]) -> list[float]:
    """A hundredth of a month is finer than any screen."""
    return [round(month, 2) for month in months]


# --- traces -----------------------------------------------------------------------------------


def curve_traces(of: Drawn, least: float, **axes: str) -> Iterator[Trace]:
    """Band, line and censor ticks of one group; the line fades where few are left.

    No point moves what is drawn by less than `least`, see `thinning`.
    """
    yield _band(of, least, axes)
    last = len(of.months) - 1
    yield _line(of, of.line(0, of.sure, least), 1.0, axes)
    if of.sure < last:
        yield _line(of, of.line(of.sure, last, least), FADED, axes)
    yield _censor_ticks(of, axes)


def _line(of: Drawn, points: Sequence[Point], opacity: float, axes: dict[str, str]) -> Trace:
    return {
        **axes,
        "type": "scatter",
        "mode": "lines",
        "name": of.label,
        "x": [month for month, _ in points],
        "y": [share for _, share in points],
        "line": {"shape": "hv", "color": of.look.colour, "dash": of.look.dash, "width": 2.2},
        "opacity": opacity,
        "hovertemplate": f"{of.label}: %{{y:.1%}} at %{{x:.1f}} months<extra></extra>",
        **({"meta": {"behind": of.behind}} if of.behind else {}),
    }


def _band(of: Drawn, least: float, axes: dict[str, str]) -> Trace:
    known = of.limits(least)
    top = stairs([(month, high) for month, _, high in known])
    bottom = stairs([(month, low) for month, low, _ in known])
    outline = [*top, *reversed(bottom)]
    return {
        **axes,
        "type": "scatter",
        "mode": "lines",
        "x": [month for month, _ in outline],
        "y": thinning.rounded([share for _, share in outline]),
        "fill": "toself",
        "fillcolor": f"{of.look.colour}/0.14",
        "line": {"width": 0},
        "hoverinfo": "skip",
    }


def _censor_ticks(of: Drawn, axes: dict[str, str]) -> Trace:
    x, y = [], []
    last = -TICK_GAP_MONTHS
    for month, share, censored in zip(of.months[1:], of.share[1:], of.curve.censored_at, strict=True):
        if censored and month >= last + TICK_GAP_MONTHS:
            last = month
            x.append(month)
            y.append(share)
    return {
        **axes,
        "type": "scatter",
        "mode": "markers",
        "x": rounded(x),
        "y": thinning.rounded(y),
        "marker": {"symbol": "line-ns-open", "size": 6, "color": of.look.colour, "opacity": 0.6},
        "hoverinfo": "skip",
    }


def at_risk(of: Drawn, month: float) -> str:
    """The number at risk at a month of the axis, as printed under it."""
    return f"{of.curve.at(month * DAYS_PER_MONTH).at_risk:,}"
