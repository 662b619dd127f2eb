"""Cumulative incidence of what ends a repair, a step line each cause or each level of a stratum."""

from collections.abc import Iterator

from django.utils.text import get_text_list

from outcomes import wording
from outcomes.analyses.competing import CAUSES, CompetingResult, Course
from outcomes.charts.context import Facts, context_facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.steps import AtRiskRow, StepLine, look, steps_plot
from outcomes.estimators.survival import LANDMARK_DAYS, Interval, Landmark
from outcomes.timeline import REMOVED

CSV_COLUMNS = (
    "group",
    "cause",
    "day",
    "at_risk",
    "ended",
    "incidence",
    "std_error",
    "lower_95",
    "upper_95",
)


# Names at the ends of lines must be short; the table has them in full.
SHORT = {CAUSES[REMOVED]: "Another tear"}
# The sentence reads the curves at this landmark.
YEAR_OF_READING = 2
PLACE_OF_READING = list(LANDMARK_DAYS).index(YEAR_OF_READING)


def incidence_figure(result: CompetingResult, csv_url: str = "") -> Figure:
    """Draw the cumulative incidences of a cohort."""
    return Figure(
        name=f"incidence-by-{result.stratum_code}" if result.stratum_code else "incidence-by-cause",
        title=result.title,
        plot=steps_plot(_lines(result), _at_risk_rows(result), "Repairs ended"),
        facts=_facts(result),
        cautions=result.cautions,
        table=incidence_table(result),
        csv_url=csv_url,
    )


def incidence_table(result: CompetingResult) -> DataTable:
    """Incidence at the landmark years with interval and number at risk, for each cause or level."""
    by_year = [
        head for year in LANDMARK_DAYS for head in (f"By {wording.counted(year, 'year')}", "At risk then")
    ]
    heads = (result.split_by.capitalize() or "Ended by", "Repairs", "Ended", *by_year)
    rows = tuple(_row(course) for course in result.courses)
    return DataTable(f"{result.title}: cumulative incidence with 95 % interval.", heads, rows)


def incidence_steps(result: CompetingResult) -> Iterator[tuple[object, ...]]:
    """Every step of what is drawn at full precision, as CSV_COLUMNS name it."""
    for course in result.courses:
        if course.is_shown:
            group, steps = course.group, course.steps
            columns = (group.time, group.at_risk, steps.events_at, steps.incidence)
            limits = (steps.std_error, steps.lower, steps.upper)
            for step in zip(*columns, *limits, strict=True):
                yield (course.label if result.stratum_code else "All repairs", course.cause, *step)


def _row(course: Course) -> tuple[str, ...]:
    cells = [course.label, f"{course.group.n:,}", f"{course.steps.events:,}"]
    for share, at_risk in course.landmarks:
        cells += [_share(share) if course.is_shown else wording.TOO_FEW, f"{at_risk:,}"]
    return tuple(cells)


def _share(share: Interval) -> str:
    return wording.share_with_interval(Landmark(0, share.estimate, share.lower, share.upper, 0))


def _facts(result: CompetingResult) -> Facts:
    return (
        ("In words", in_words(result)),
        *context_facts(result.context),
        *([("Comparison", _comparison(result))] if result.stratum_code else []),
        *(("Note", note) for note in result.notes),
        *methods_facts(result.methods, result.references),
    )


def in_words(result: CompetingResult) -> str:
    """What the drawing shows, for who cannot see it."""
    if not any(course.is_shown for course in result.courses):
        return "Too few repairs to draw a curve."
    lines = [course for _, course in _drawn(result)]
    read = [(course, course.landmarks[PLACE_OF_READING][0]) for course in lines]
    shares = [f"{course.label} {_share(share)}" for course, share in read if share.estimate is not None]
    what = "failed" if result.stratum_code else "ended by each cause"
    said = f"{wording.counted(len(lines), 'rising step curve')} of the share of repairs {what}"
    told = f". By {YEAR_OF_READING} years: {'; '.join(shares)}."
    return f"{said}{told if shares else f'; none reaches {YEAR_OF_READING} years.'}{_absent(result)}"


def _absent(result: CompetingResult) -> str:
    if result.stratum_code:
        return ""
    absent = [course.cause for course in result.courses if not course.steps.events]
    return f" No repair ended by {get_text_list(absent, 'or')}." if absent else ""


def _comparison(result: CompetingResult) -> str:
    test = result.test
    if test is None:
        return "Fewer than two groups, or no failure: nothing to compare."
    return (
        f"Cause-specific log-rank of failure over {len(test.groups)} groups: "
        f"chi-square {test.statistic:.2f}, {wording.counted(test.df, 'degree')} of freedom, "
        f"{wording.p_value(test.p)}."
    )


def _drawn(result: CompetingResult) -> list[tuple[int, Course]]:
    """What has a line, with its place: that keeps its look; a cause that ended nothing has none."""
    return [
        (place, course)
        for place, course in enumerate(result.courses)
        if course.is_shown and (result.stratum_code or course.steps.events)
    ]


def _lines(result: CompetingResult) -> list[StepLine]:
    return [
        StepLine(
            label=SHORT.get(course.cause, course.label),
            look=look(place),
            days=course.group.time,
            share=course.steps.incidence,
            lower=course.steps.lower,
            upper=course.steps.upper,
            at_risk=course.group.at_risk,
        )
        for place, course in _drawn(result)
    ]


def _at_risk_rows(result: CompetingResult) -> list[AtRiskRow]:
    """One row for all causes, since they share their repairs; else one a level."""
    shown = [(place, course) for place, course in enumerate(result.courses) if course.is_shown]
    if not result.stratum_code:
        return [AtRiskRow("All repairs", "var:ink", course.at_risk_on) for _, course in shown[:1]]
    return [AtRiskRow(course.label, look(place).colour, course.at_risk_on) for place, course in shown]
