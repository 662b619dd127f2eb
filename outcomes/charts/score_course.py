"""A cohort's scores over planned time points: level, change since before, share in the acceptable state."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.formats import date_format

from outcomes import wording
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.time_points import ROOM, Line, Whiskered, span, time_points_plot
from outcomes.estimators import change
from outcomes.estimators.centre import Centre
from outcomes.estimators.change import PairedChange, ShareReaching
from outcomes.estimators.rates import Proportion
from outcomes.score_course import CoursePoint, ScoreCourse
from outcomes.score_table import BEFORE
from outcomes.thresholds import NAMES, Kind, Threshold, not_real_for_one, told_for

NOT_PUBLISHED = "none published for meniscal repair"
APART = (
    " Not attainable: began too near the best score for such a change; left out of the share, counted here."
)
NOTHING = "-"
# The least that the axis of change spans, as a share of the scale; chosen by hand.
LEAST_CHANGE = 0.3

Estimate = Centre | PairedChange | Proportion


@dataclass(frozen=True, slots=True)
class _Part:
    """What one of the figures adds to what all of them share."""

    name: str
    title: str
    words: str
    method: str
    caption: str
    kinds: tuple[Kind, ...]
    heads: tuple[str, ...]
    cells: Callable[[CoursePoint], tuple[str, ...]]
    plot: dict[str, Any]


def course_figures(course: ScoreCourse, csv_urls: Mapping[str, str]) -> list[Figure]:
    """The figures of a course, each with its table; `csv_urls` by the figure's name."""
    parts = [_level(course), _change(course), *([_in_pass(course, course.passing)] if course.passing else [])]
    return [_figure(course, part, csv_urls.get(part.name, "")) for part in parts]


def _figure(course: ScoreCourse, part: _Part, csv_url: str) -> Figure:
    columns = ("Time point", "Knees that reached it", *part.heads)
    rows = tuple((point.label, f"{point.reached:,}", *part.cells(point)) for point in course.points)
    return Figure(
        name=part.name,
        title=part.title,
        plot=part.plot,
        facts=tuple(_facts(course, part)),
        cautions=tuple(_cautions(course, part)),
        table=DataTable(part.caption, columns, rows),
        csv_url=csv_url,
    )


def _facts(course: ScoreCourse, part: _Part) -> Iterator[tuple[str, str]]:
    yield "In words", part.words
    yield "Cohort", course.cohort_sentence
    yield "Knees", f"{course.knees:,}, each from its first repair in the cohort"
    yield (
        "Score of a time point",
        "the nearest to the due day within the window of the unit's plan, the earlier of two alike. Before: "
        f"the last on or before the day of operation. Reached: its window over by {date_format(course.on)}",
    )
    yield from told_for(course.instrument.code, [course.scale.code], part.kinds)
    for kind, threshold in ((Kind.MCID, course.mcid), (Kind.PASS, course.passing)):
        if kind in part.kinds and threshold is None and not course.is_activity:
            yield NAMES[kind], NOT_PUBLISHED
    yield "Too few", f"under {course.fewest} knees a time point shows its counts alone"
    yield "Method", part.method
    yield "Form", f"{course.instrument.name}. {course.instrument.reference}."


def _cautions(course: ScoreCourse, part: _Part) -> Iterator[str]:
    """Those of the course; of the change also that it may not be real for one person."""
    if Kind.MCID in part.kinds and (said := not_real_for_one(course.instrument.code, [course.scale.code])):
        yield said
    yield from course.cautions


# --- the figures ------------------------------------------------------------------------------


def _level(course: ScoreCourse) -> _Part:
    middle, scale = _middle(course), course.scale
    told = [f"{_number(point.level)} {_when(point)}" for point in course.points if point.level]
    ends = ", ".join([told[0], told[-1]] if len(told) > 1 else told)
    words = f"{middle.capitalize()} {'; '.join(told)}.{_of_lines(course)}" if told else _none("scores")
    room = ROOM * (scale.highest - scale.lowest)
    return _Part(
        name="score-course",
        title=f"{course.name}: {middle} {ends}" if told else f"{course.name}: too few scores for a {middle}",
        words=words,
        method=_method(course),
        caption=f"{course.name} at each planned time point.",
        kinds=(Kind.PASS,),
        heads=(
            "With a score",
            "Answered, not scorable",
            f"{middle.capitalize()} ({_spread(course)})",
        ),
        cells=lambda point: (f"{point.answered:,}", f"{point.not_scorable:,}", _interval(point.level)),
        plot=time_points_plot(
            _whiskered(course, lambda point: point.level),
            _ticks(course, lambda point: f"{point.answered:,}"),
            {"title": {"text": course.name}, "range": [scale.lowest - room, scale.highest + room]},
            _line("PASS", course.passing),
            course.lines,
        ),
    )


def _change(course: ScoreCourse) -> _Part:
    mcid = course.mcid
    what = "median change" if course.is_activity else "mean change for the better"
    changed = [(point, point.change) for point in course.points if point.change]
    told = [f"{_number(found):s} at {point.label}" for point, found in changed]
    improved = [f"{_share(point.improved)} at {point.label}" for point, _ in changed if point.improved]
    words = f"{what.capitalize()} {'; '.join(told)}." if told else _none("pairs of scores")
    by_mcid = f"Improved by {mcid.limit}" if mcid else ""
    if improved:
        words += f" {by_mcid}: {'; '.join(improved)}."
    title = f"{what} {told[-1]}" if told else "too few with a score before and after"
    points = _whiskered(course, lambda point: point.change)
    line = _line("MCID", mcid)
    reach = [limit for point in points for limit in (point.lower, point.upper)]
    least = LEAST_CHANGE * (course.scale.highest - course.scale.lowest)
    return _Part(
        name="score-change",
        title=f"{course.name}: {title}",
        words=words,
        method=_method(course) if course.is_activity else f"{change.CHANGE_METHOD} {change.SHARE_METHOD}",
        caption=f"{course.name}: change from before to each time point.{APART if mcid else ''}",
        kinds=(Kind.MCID, Kind.SDC),
        heads=(
            "With a score before too",
            f"{what.capitalize()} ({_spread(course)})",
            *((by_mcid, "Not attainable") if mcid else ()),
        ),
        cells=lambda point: _change_cells(point, mcid),
        plot=time_points_plot(
            points,
            _ticks(course, lambda point: NOTHING if point.code == BEFORE else f"{point.both:,}"),
            {
                "title": {"text": f"{course.name}: change"},
                "range": span([*reach, *([line.value] if line else [])], least),
                "zeroline": True,
            },
            line,
        ),
    )


def _change_cells(point: CoursePoint, mcid: Threshold | None) -> tuple[str, ...]:
    if point.code == BEFORE:
        return (NOTHING,) * (4 if mcid else 2)
    apart = f"{point.improved.out_of_reach:,}" if point.improved else wording.TOO_FEW
    shares = (_share(point.improved), apart) if mcid else ()
    return (f"{point.both:,}", _interval(point.change), *shares)


def _in_pass(course: ScoreCourse, passing: Threshold) -> _Part:
    limit = passing.limit
    told = [f"{_share(point.in_pass)} {_when(point)}" for point in course.points if point.in_pass]
    return _Part(
        name="score-pass",
        title=f"{course.name}: {limit} in {told[-1]}" if told else f"{course.name}: too few for a share",
        words=f"A score {limit}: {'; '.join(told)}." if told else _none("scores"),
        method=change.SHARE_METHOD,
        caption=f"{course.name}: share in the acceptable state, that is a score {limit}.",
        kinds=(Kind.PASS,),
        heads=("With a score", f"Score {limit}", "Share (95 % interval)"),
        cells=lambda point: (
            f"{point.answered:,}",
            f"{point.in_pass.reached.x:,}" if point.in_pass else wording.TOO_FEW,
            _share(point.in_pass),
        ),
        plot=time_points_plot(
            _whiskered(course, lambda point: point.in_pass.reached if point.in_pass else None),
            _ticks(course, lambda point: f"{point.answered:,}"),
            {"title": {"text": f"Score {limit}"}, "range": [-0.02, 1.02], "tickformat": ".0%"},
        ),
    )


def _whiskered(course: ScoreCourse, estimate: Callable[[CoursePoint], Estimate | None]) -> list[Whiskered]:
    points = []
    for place, found in enumerate(map(estimate, course.points)):
        if found and found.estimate is not None and found.lower is not None and found.upper is not None:
            points.append(Whiskered(place, found.estimate, found.lower, found.upper))
    return points


def _ticks(course: ScoreCourse, count: Callable[[CoursePoint], str]) -> list[str]:
    """Labels that fit under a narrow axis, "12 m", each over the count behind its number."""
    labels = [
        "Before" if point.code == BEFORE else f"{point.code[:-1]} {point.code[-1]}" for point in course.points
    ]
    return [f"{label}<br>{count(point)}" for label, point in zip(labels, course.points, strict=True)]


def _line(name: str, threshold: Threshold | None) -> Line | None:
    if threshold is None or threshold.value is None:
        return None
    return Line(threshold.value, f"{name} {threshold.limit}")


# --- words ------------------------------------------------------------------------------------


def _none(what: str) -> str:
    return f"No time point has enough {what}."


def _middle(course: ScoreCourse) -> str:
    return "median" if course.is_activity else "mean"


def _spread(course: ScoreCourse) -> str:
    return "quartiles" if course.is_activity else "95 % interval"


def _method(course: ScoreCourse) -> str:
    level = next((point.level for point in course.points if point.level), None)
    return f"{level.method} {level.reference}" if level else "Nothing was estimated."


def _of_lines(course: ScoreCourse) -> str:
    drawn, of = len(course.lines), course.lines_of
    if not drawn:
        return ""
    which = "" if drawn == of else ", the first by their public keys, which are random"
    return f" Thin lines: {drawn:,} of {wording.counted(of, 'knee')} with two or more scores{which}."


def _when(point: CoursePoint) -> str:
    return "before" if point.code == BEFORE else f"at {point.label}"


def _number(found: Estimate | None) -> str:
    # Adding 0 takes the sign off a zero.
    return NOTHING if found is None or found.estimate is None else f"{round(found.estimate, 1) + 0:g}"


def _interval(found: Centre | PairedChange | None) -> str:
    """Estimate with its limits: "82.1 (78.0 to 85.6)"."""
    if found is None:
        return wording.TOO_FEW
    return f"{found.estimate:.1f} ({found.lower:.1f} to {found.upper:.1f})"


def _share(share: ShareReaching | None) -> str:
    if share is None:
        return wording.TOO_FEW
    lower, upper = (100 * (limit or 0.0) for limit in (share.reached.lower, share.reached.upper))
    return f"{wording.percent(share.reached.estimate)} ({lower:.1f} to {upper:.1f})"
