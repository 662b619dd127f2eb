"""The scores of one knee on one scale over the months since its first operation, drawn whole."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from math import ceil, floor
from typing import Any

from django.utils.formats import date_format

from outcomes import wording
from outcomes.charts.figure import DataTable, Figure
from outcomes.wording import DAYS_PER_MONTH
from registry.scoring import Instrument, Scale

# Heights in pixels: the curve, the axis with its title, and one row of labels above for lines close together.
CURVE_PX, AXIS_PX, ROW_PX = 300, 56, 18
MARGIN_PX = 12
# The least the curve's width comes to on a wide and on a narrow screen, and the width of a letter of a label.
WIDE_PX, NARROW_PX, LETTER_PX = 450, 200, 6.5
LABEL_GAP_PX = 8
# What cannot be scored is marked this far under the lowest value (share of the scale), so never on it.
BELOW_SCALE = 0.14
ABOVE_SCALE = 0.03
TICK_STEPS_MONTHS = (1, 3, 6, 12, 24, 60, 120)
MOST_TICKS = 8
# So that a score on the day of the operation has an axis to lie on.
SHORTEST_AXIS_MONTHS = 3.0
NARROW_FONT = {"size": 11}
NOT_SCORABLE = "not scorable"

Trace = dict[str, Any]


@dataclass(frozen=True, slots=True)
class ScoreAnswer:
    """One form answered once; without a value it cannot be scored. `reoperated` is the answer in words."""

    answered_on: date
    value: float | None
    items_answered: int
    version: str
    reoperated: str


class Intervention(StrEnum):
    """What is marked by a vertical line."""

    OPERATION = "operation"
    SECOND_LOOK = "second look"
    REOPERATION = "reoperation"


LINES = {Intervention.OPERATION: "solid", Intervention.SECOND_LOOK: "dot", Intervention.REOPERATION: "dash"}


@dataclass(frozen=True, slots=True, order=True)
class Mark:
    """One intervention on its day."""

    on: date
    what: Intervention


@dataclass(frozen=True, slots=True)
class ScoreCurve:
    """What one figure shows: answers on one scale (at least one) and interventions, in any order."""

    instrument: Instrument
    scale: Scale
    answers: Sequence[ScoreAnswer]
    marks: Sequence[Mark]

    @property
    def name(self) -> str:
        """The scale's name, after that of an instrument with several."""
        if len(self.instrument.scales) == 1:
            return self.instrument.name
        return f"{self.instrument.name}, {self.scale.name}"

    @property
    def operated_on(self) -> date | None:
        """Day 0: the first operation; None when none is on record."""
        return min((mark.on for mark in self.marks if mark.what is Intervention.OPERATION), default=None)

    @property
    def in_order(self) -> list[ScoreAnswer]:
        return sorted(self.answers, key=lambda answer: answer.answered_on)

    @property
    def scored(self) -> list[tuple[date, float]]:
        """Day and value of each answer that could be scored, in order."""
        return [(answer.answered_on, answer.value) for answer in self.in_order if answer.value is not None]

    @property
    def not_scorable(self) -> list[date]:
        return [answer.answered_on for answer in self.in_order if answer.value is None]


def score_figure(curve: ScoreCurve) -> Figure:
    """Draw the scores; without an operation there is no month 0, so the table alone stands."""
    operated_on = curve.operated_on
    return Figure(
        name=f"scores-{curve.instrument.code}-{curve.scale.code}",
        title=title(curve),
        plot=_plot(curve, operated_on) if operated_on else {},
        facts=_facts(curve),
        cautions=(),
        table=score_table(curve),
    )


# --- words ------------------------------------------------------------------------------------


def title(curve: ScoreCurve) -> str:
    """From where to where the values went; between the ends only what lies outside them is told."""
    name, scored = curve.name, curve.scored
    if not scored:
        return f"{name} was answered {_times(len(curve.answers))} and could not be scored"
    whens = _whens([day for day, _ in scored], curve.operated_on)
    told = [(round(value, 1), when) for (_, value), when in zip(scored, whens, strict=True)]
    (first, began), (last, ended) = told[0], told[-1]
    if len(told) == 1:
        return f"{name} was {first:g} {began}"
    between = _outside(told)
    if first == last:
        return f"{name} was {first:g} {began} and again {ended}{between}"
    return f"{name} {'rose' if last > first else 'fell'} from {first:g} {began} to {last:g} {ended}{between}"


def _outside(told: Sequence[tuple[float, str]]) -> str:
    """The value that lies farthest outside first and last, which the two alone would hide."""
    low, high = sorted((told[0][0], told[-1][0]))
    far, when = max(told, key=lambda value: max(low - value[0], value[0] - high))
    return "" if low <= far <= high else f", with {far:g} {when} in between"


def _times(n: int) -> str:
    return "once" if n == 1 else f"{n:,} times"


def _whens(days: Sequence[date], operated_on: date | None) -> list[str]:
    """Each day in words; days that would read alike go by their dates."""
    words = [_when(day, operated_on) for day in days]
    return [
        f"on {date_format(day)}" if words.count(when) > 1 else when
        for day, when in zip(days, words, strict=True)
    ]


def _when(day: date, operated_on: date | None) -> str:
    if operated_on is None:
        return f"on {date_format(day)}"
    days = (day - operated_on).days
    if days < 0:
        return "before operation"
    if days == 0:
        return "on the day of operation"
    months = round(days / DAYS_PER_MONTH)
    return f"at {wording.counted(months, 'month') if months else wording.counted(days, 'day')}"


def score_table(curve: ScoreCurve) -> DataTable:
    """Every answer, one a row."""
    columns = ("Answered on", "Months", curve.name, "Items answered", "Another operation since?")
    rows = tuple(_row(curve, answer) for answer in curve.in_order)
    return DataTable(f"{curve.name}: every answer, months since the first operation.", columns, rows)


def _row(curve: ScoreCurve, answer: ScoreAnswer) -> tuple[str, ...]:
    items = f"{answer.items_answered} of {len(curve.scale.items)}"
    # Adding 0 takes the sign off a zero.
    months = curve.operated_on and f"{round(_months(answer.answered_on, curve.operated_on), 1) + 0:.1f}"
    value = f"{NOT_SCORABLE} ({items})" if answer.value is None else f"{round(answer.value, 1):g}"
    return (date_format(answer.answered_on), months or "-", value, items, answer.reoperated)


def _facts(curve: ScoreCurve) -> tuple[tuple[str, str], ...]:
    instrument = curve.instrument
    versions = ", ".join(sorted({answer.version for answer in curve.answers}))
    return (
        ("Answers", f"{len(curve.answers):,}, of which {NOT_SCORABLE} {len(curve.not_scorable):,}"),
        ("Scale", f"{curve.scale.lowest:g} to {curve.scale.highest:g}, drawn whole"),
        ("Vertical lines", _interventions(curve)),
        ("Form", f"{instrument.name} {versions}. {instrument.reference}."),
    )


def _interventions(curve: ScoreCurve) -> str:
    told = [f"{mark.what} on {date_format(mark.on)}" for mark in sorted(set(curve.marks))]
    if curve.operated_on is None:
        told.append("no operation is on record, so nothing is drawn over months")
    return "; ".join(told)


# --- the drawing ------------------------------------------------------------------------------


def _months(day: date, operated_on: date) -> float:
    """A hundredth of a month is finer than any screen."""
    return round((day - operated_on).days / DAYS_PER_MONTH, 2)


def _plot(curve: ScoreCurve, operated_on: date) -> dict[str, Any]:
    days = [answer.answered_on for answer in curve.answers] + [mark.on for mark in curve.marks]
    months = [_months(day, operated_on) for day in days]
    start, end = _axis(months)
    ticks, step = _ticks(start, end)
    flags = [(_months(mark.on, operated_on), mark.what) for mark in sorted(set(curve.marks))]
    narrow = _flagged(_flags(flags, (start, end), NARROW_PX))
    return {
        "data": list(_traces(curve, operated_on)),
        "layout": {
            "showlegend": False,
            "xaxis": _month_axis(start, end, ticks),
            "yaxis": _scale_axis(curve),
            **_flagged(_flags(flags, (start, end), WIDE_PX)),
        },
        "layout_narrow": {
            **narrow,
            "xaxis": {"tickvals": [tick for tick in ticks if tick % (2 * step) == 0]},
            "margin": {**narrow["margin"], "l": 40},
            "font": NARROW_FONT,
        },
    }


def _axis(months: Sequence[float]) -> tuple[float, float]:
    """First and last month drawn, with room so that no point lies on the frame."""
    first, last = min(months), max(months)
    last = max(last, first + SHORTEST_AXIS_MONTHS)
    room = 0.04 * (last - first)
    return round(first - room, 2), round(last + room, 2)


def _ticks(start: float, end: float) -> tuple[list[int], int]:
    """Months at multiples of the finest step that is not too many ticks, and that step; 0 is always one."""
    coarsest = TICK_STEPS_MONTHS[-1]
    step = next((step for step in TICK_STEPS_MONTHS if (end - start) / step <= MOST_TICKS), coarsest)
    return list(range(step * ceil(start / step), step * floor(end / step) + 1, step)), step


def _traces(curve: ScoreCurve, operated_on: date) -> Iterator[Trace]:
    name = curve.name
    yield {
        "type": "scatter",
        "mode": "lines+markers",
        "name": name,
        "x": [_months(day, operated_on) for day, _ in curve.scored],
        "y": [value for _, value in curve.scored],
        "line": {"shape": "linear", "color": "var:series-1", "width": 2.2},
        "marker": {"symbol": "circle", "size": 9, "color": "var:series-1"},
        "cliponaxis": False,
        "hovertemplate": f"{name}: %{{y}} at %{{x:.1f}} months<extra></extra>",
    }
    if curve.not_scorable:
        yield {
            "type": "scatter",
            "mode": "markers",
            "name": NOT_SCORABLE,
            "x": [_months(day, operated_on) for day in curve.not_scorable],
            "y": [_below(curve.scale)] * len(curve.not_scorable),
            "marker": {"symbol": "circle-open", "size": 10, "color": "var:series-1", "line": {"width": 2}},
            "cliponaxis": False,
            "hovertemplate": f"{NOT_SCORABLE} at %{{x:.1f}} months<extra></extra>",
        }


def _below(scale: Scale) -> float:
    return scale.lowest - BELOW_SCALE * (scale.highest - scale.lowest)


def _month_axis(start: float, end: float, ticks: list[int]) -> dict[str, Any]:
    return {
        "title": {"text": "Months since the first operation", "standoff": 6},
        "tickvals": ticks,
        "range": [start, end],
        "showgrid": False,
        "ticks": "outside",
    }


def _scale_axis(curve: ScoreCurve) -> dict[str, Any]:
    """The whole scale; under it, where there is something to mark, a place for what cannot be scored."""
    scale = curve.scale
    span = scale.highest - scale.lowest
    places = [scale.lowest + span * fifth / 5 for fifth in range(6)]
    labels = [f"{place:g}" for place in places]
    if curve.not_scorable:
        places, labels = [_below(scale), *places], [NOT_SCORABLE.replace(" ", "<br>"), *labels]
    return {
        "title": {"text": curve.name},
        "range": [places[0] - ABOVE_SCALE * span, scale.highest + ABOVE_SCALE * span],
        "tickvals": places,
        "ticktext": labels,
        "automargin": True,
    }


# --- vertical lines and their labels ----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Flag:
    """A vertical line with its label beside its top; a higher row keeps it off another label."""

    month: float
    what: Intervention
    row: int
    to_the_left: bool


def _flags(
    marks: Sequence[tuple[float, Intervention]], axis: tuple[float, float], width_px: float
) -> list[_Flag]:
    """Give each label the lowest row where it has room, on a curve so many pixels wide."""
    taken: list[tuple[int, float, float]] = []
    flags = []
    for month, what in reversed(marks):
        place = (month - axis[0]) / (axis[1] - axis[0]) * width_px
        length = LABEL_GAP_PX + LETTER_PX * len(what)
        to_the_left = place + length > width_px
        left, right = (place - length, place) if to_the_left else (place, place + length)
        occupied = {row for row, begin, end in taken if begin < right and left < end}
        row = next(row for row in range(len(marks)) if row not in occupied)
        taken.append((row, left, right))
        flags.append(_Flag(month, what, row, to_the_left))
    return flags


def _flagged(flags: Sequence[_Flag]) -> dict[str, Any]:
    """The part of a layout that lines and labels decide."""
    above_px = MARGIN_PX + ROW_PX * (1 + max(flag.row for flag in flags))
    return {
        "height": above_px + CURVE_PX + AXIS_PX,
        "margin": {"l": 56, "r": MARGIN_PX, "t": above_px, "b": AXIS_PX},
        "shapes": [_line(flag) for flag in flags],
        "annotations": [_label(flag) for flag in flags],
    }


def _line(flag: _Flag) -> dict[str, Any]:
    return {
        "type": "line",
        "layer": "below",
        "x0": flag.month,
        "x1": flag.month,
        "yref": "paper",
        "y0": 0,
        "y1": 1 + ROW_PX * (flag.row + 0.9) / CURVE_PX,
        "line": {"color": "var:ink-soft", "width": 1.2, "dash": LINES[flag.what]},
    }


def _label(flag: _Flag) -> dict[str, Any]:
    return {
        "text": str(flag.what),
        "x": flag.month,
        "xanchor": "right" if flag.to_the_left else "left",
        "xshift": -3 if flag.to_the_left else 3,
        "yref": "paper",
        "y": 1 + ROW_PX * flag.row / CURVE_PX,
        "yanchor": "bottom",
        "showarrow": False,
        # Another line may pass behind the label.
        "bgcolor": "var:surface",
        "font": {"size": 11, "color": "var:ink"},
    }
