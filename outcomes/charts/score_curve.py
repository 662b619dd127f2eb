"""The scores of one knee on one form over the months since its first operation: figure, words and table."""

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import date

from django.utils.formats import date_format

from outcomes import wording
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.score_answers import ScoreAnswer, ScoreCurve
from outcomes.charts.score_panels import months_since, panels
from outcomes.thresholds import Kind, not_real_for_one, told_for, used
from outcomes.wording import DAYS_PER_MONTH
from registry.scoring import Scale

NOT_SCORABLE = "not scorable"
NO_VERDICT = (
    "The line of the acceptable state (PASS) is where groups of patients began to call their knees "
    "acceptable: it is no verdict on one person."
)


def score_figure(curve: ScoreCurve, csv_url: str = "") -> Figure:
    """Draw the scores; without an operation there is no month 0, so the table alone stands."""
    operated_on = curve.operated_on
    return Figure(
        name=f"scores-{curve.instrument.code}",
        title=title(curve),
        plot=panels(curve, operated_on) if operated_on else {},
        facts=tuple(_facts(curve)),
        cautions=tuple(_cautions(curve)),
        table=score_table(curve),
        csv_url=csv_url,
    )


# --- words ------------------------------------------------------------------------------------


def title(curve: ScoreCurve) -> str:
    """The course of the only scale; of several, how many went which way."""
    name, scales = curve.instrument.name, curve.instrument.scales
    if len(scales) == 1:
        return scale_sentence(curve, scales[0])
    days = [answer.answered_on for answer in curve.in_order]
    whens = _whens(days, curve.operated_on)
    scored = sum(bool(curve.scored(scale)) for scale in scales)
    if len(days) == 1:
        return f"{name} was answered {whens[0]}: {scored} of {len(scales)} scales could be scored"
    return f"{name}: {_directions(curve)}; answered first {whens[0]}, last {whens[-1]}"


def _directions(curve: ScoreCurve) -> str:
    """How many scales rose and fell between their first and last scores."""
    ways = Counter(_way(curve.scored(scale)) for scale in curve.instrument.scales)
    told = [f"{wording.counted(ways[way], 'scale')} {way}" for way in ("rose", "fell", "stayed") if ways[way]]
    return ", ".join(told) or "no scale was scored twice"


def _way(scored: Sequence[tuple[date, float]]) -> str:
    if len(scored) < 2:
        return ""
    first, last = (round(value, 1) for _, value in (scored[0], scored[-1]))
    return "stayed" if first == last else "rose" if last > first else "fell"


def scale_sentence(curve: ScoreCurve, scale: Scale) -> str:
    """From where to where the values went; between the ends only what lies outside them is told."""
    name, scored = curve.name(scale), curve.scored(scale)
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


# --- table and notes --------------------------------------------------------------------------


def score_table(curve: ScoreCurve) -> DataTable:
    """Every answer, one a row, with a column a scale."""
    instrument = curve.instrument
    profile = ("Profile",) if instrument.profile else ()
    names = (curve.name(scale) for scale in instrument.scales)
    columns = ("Answered on", "Months", *names, *profile, "Items answered", "Another operation since?")
    rows = tuple(_row(curve, answer) for answer in curve.in_order)
    return DataTable(f"{instrument.name}: every answer, months since the first operation.", columns, rows)


def _row(curve: ScoreCurve, answer: ScoreAnswer) -> tuple[str, ...]:
    # Adding 0 takes the sign off a zero.
    months = curve.operated_on and f"{round(months_since(curve.operated_on, answer.answered_on), 1) + 0:.1f}"
    return (
        date_format(answer.answered_on),
        months or "-",
        *(str(answer.scores[scale.code]) for scale in curve.instrument.scales),
        *((answer.profile or "-",) if curve.instrument.profile else ()),
        f"{answer.items_answered} of {len(curve.instrument.items)}",
        answer.reoperated,
    )


def _facts(curve: ScoreCurve) -> Iterator[tuple[str, str]]:
    instrument = curve.instrument
    scales = instrument.scales
    if len(scales) > 1:
        yield "In words", "; ".join(scale_sentence(curve, scale) for scale in scales) + "."
    yield "Answers", f"{len(curve.answers):,}{_lacking(curve)}"
    yield "Scale", f"{scales[0].lowest:g} to {scales[0].highest:g}, drawn whole"
    yield "Vertical lines", _interventions(curve)
    thresholds = told_for(instrument.code, [scale.code for scale in scales], of_others=False)
    yield from thresholds or [("Thresholds", "none published for meniscal repair")]
    if any(used(Kind.SDC, instrument.code, scale.code) for scale in scales):
        yield "Band", "the first score and measurement error (SDC) each way: within it, no change can be told"
    versions = ", ".join(sorted({answer.version for answer in curve.answers}))
    yield "Form", f"{instrument.name} {versions}. {instrument.reference}."


def _lacking(curve: ScoreCurve) -> str:
    """How many answers could not be scored, on which scales where there are several."""
    scales = curve.instrument.scales
    if len(scales) == 1:
        return f", of which {NOT_SCORABLE} {len(curve.not_scorable(scales[0])):,}"
    told = [f"{curve.name(scale)} {len(days):,}" for scale in scales if (days := curve.not_scorable(scale))]
    return f", of which {NOT_SCORABLE}: {', '.join(told)}" if told else ", all of them scored"


def _interventions(curve: ScoreCurve) -> str:
    told = [f"{mark.what} on {date_format(mark.on)}" for mark in sorted(set(curve.marks))]
    if curve.operated_on is None:
        told.append("no operation is on record, so nothing is drawn over months")
    return "; ".join(told)


def _cautions(curve: ScoreCurve) -> Iterator[str]:
    code, scales = curve.instrument.code, [scale.code for scale in curve.instrument.scales]
    if said := not_real_for_one(code, scales):
        yield said
    if any(used(Kind.PASS, code, scale) for scale in scales):
        yield NO_VERDICT
