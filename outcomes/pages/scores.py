"""Scores: the course of a cohort on one scale, its change and its shares over published thresholds."""

from collections.abc import Iterator

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from outcomes.charts.score_course import course_figures
from outcomes.pages.filters import (
    Asked,
    Choices,
    FilterForm,
    NothingShownError,
    asked,
    not_given,
    not_shown,
    page_context,
)
from outcomes.score_course import CoursePoint, ScoreCourse, scale_name, score_course
from registry.access import Action, require
from registry.pages.csv_file import csv_file
from registry.scoring import INSTRUMENTS

SCALES = {
    f"{instrument.code}.{scale.code}": (instrument, scale)
    for instrument in INSTRUMENTS.values()
    for scale in instrument.scales
}
DEFAULT_SCALE = "koos.pain"
LINES = {"": "Not drawn", "knees": "Drawn"}

CSV_COLUMNS: dict[str, tuple[str, ...]] = {
    "course": ("time_point", "reached", "answered", "not_scorable", "estimate", "lower", "upper", "method"),
    "change": (
        "time_point", "both", "estimate", "lower", "upper", "mcid", "operator", "improved", "of",
        "not_attainable", "share", "share_lower_95", "share_upper_95",
    ),
    "pass": (
        "time_point", "answered", "pass", "operator", "reached_it", "of", "share", "share_lower_95",
        "share_upper_95",
    ),
}  # fmt: skip


TEMPLATE = "outcomes/scores.html"


class ScoresForm(FilterForm):
    """Beside the cohort: which scale, and whether single knees are drawn."""

    def own_selects(self) -> dict[str, tuple[str, Choices]]:
        scales = {key: scale_name(instrument, scale) for key, (instrument, scale) in SCALES.items()}
        return {"score": ("Score", scales), "lines": ("Single knees", LINES)}

    def own_defaults(self) -> dict[str, str]:
        return {"score": DEFAULT_SCALE}


def scores(request: HttpRequest) -> HttpResponse:
    """The figures of one cohort and scale."""
    units = require(request.user, Action.SEE_FIGURES)
    try:
        of = asked(request, units, ScoresForm)
    except NothingShownError as refusal:
        return not_shown(request, TEMPLATE, refusal)
    course = _course(of, with_lines=bool(of.form.cleaned_data["lines"]))
    urls = {f"score-{part}": f"{reverse('scores_csv', args=[part])}?{of.query}" for part in CSV_COLUMNS}
    answered = any(point.answered or point.not_scorable for point in course.points)
    context = {"figures": course_figures(course, urls) if answered else [], "course": course}
    return render(request, TEMPLATE, page_context(of) | context)


def scores_csv(request: HttpRequest, part: str) -> HttpResponse:
    """The numbers of one figure at full precision; a time point with too few has its counts alone."""
    units = require(request.user, Action.SEE_FIGURES)
    if part not in CSV_COLUMNS:
        raise Http404
    try:
        of = asked(request, units, ScoresForm)
    except NothingShownError as refusal:
        return not_given(refusal)
    course = _course(of)
    name = f"score-{part}-{of.form.cleaned_data['score'].replace('.', '-')}"
    return csv_file(name, CSV_COLUMNS[part], _rows(course, part))


def _course(of: Asked[ScoresForm], *, with_lines: bool = False) -> ScoreCourse:
    instrument, scale = SCALES[of.form.cleaned_data["score"]]
    return score_course(of.cohort, of.units, instrument, scale, of.closed_on, with_lines=with_lines)


def _rows(course: ScoreCourse, part: str) -> Iterator[tuple[object, ...]]:
    rows = {"course": _level_row, "change": _change_row, "pass": _pass_row}
    for point in course.points:
        yield (point.code, *rows[part](course, point))


def _level_row(course: ScoreCourse, point: CoursePoint) -> tuple[object, ...]:
    level = point.level
    numbers = (level.estimate, level.lower, level.upper, level.method) if level else ("",) * 4
    return (point.reached, point.answered, point.not_scorable, *numbers)


def _change_row(course: ScoreCourse, point: CoursePoint) -> tuple[object, ...]:
    found, improved, mcid = point.change, point.improved, course.mcid
    numbers = (found.estimate, found.lower, found.upper) if found else ("",) * 3
    limit = (mcid.value, mcid.operator) if mcid else ("", "")
    if improved is None:
        return (point.both, *numbers, *limit, *("",) * 6)
    share = improved.reached
    counted = (share.x, share.n, improved.out_of_reach, share.estimate, share.lower, share.upper)
    return (point.both, *numbers, *limit, *counted)


def _pass_row(course: ScoreCourse, point: CoursePoint) -> tuple[object, ...]:
    passing = course.passing
    limit = (passing.value, passing.operator) if passing else ("", "")
    if point.in_pass is None:
        return (point.answered, *limit, *("",) * 5)
    share = point.in_pass.reached
    return (point.answered, *limit, share.x, share.n, share.estimate, share.lower, share.upper)
