"""Survival by a stratum: step curves of repairs still standing, the landmark table, the tests in words."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from operator import itemgetter
from typing import Any

from django.utils.formats import date_format

from outcomes import wording
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.small_multiples import MOST_PANELS, small_multiples
from outcomes.charts.step_curves import Drawn, drawn
from outcomes.charts.step_plot import step_plot
from outcomes.charts.steps import look
from outcomes.estimators import comparison, trend
from outcomes.estimators.cautions import crossing_curves
from outcomes.estimators.survival import LANDMARK_DAYS, Landmark
from outcomes.results import Group, SurvivalResult
from outcomes.strata import UNKNOWN

# More curves with their bands in one drawing cannot be told apart; chosen by hand.
MOST_IN_ONE = 5
TURNED = "One less the share still standing, of the same estimate."
NO_RISK = (
    "{n} ended by death, knee replacement or another tear: one less the share standing is then not the risk "
    "of failure and says too much. The risk is under Competing events."
)
ONLY_SOME_DRAWN = "Drawn: the {most} largest groups; the table has all."
MOST_NAMED = 3
MANY_CROSS = "{cross} of the {pairs} pairs of curves cross, so one number for their differences misleads."
EACH_ALONE = "Too many groups for one drawing: each has a panel, with the others thin and grey behind it."


def survival_figure(
    result: SurvivalResult,
    csv_url: str = "",
    *,
    as_failure: bool = False,
    behind: Mapping[str, str] | None = None,
) -> Figure:
    """Draw a survival result, or the same result turned round to the share failed.

    `behind` gives, by the code of a group, the address of the failures behind its curve.
    """
    curves = curves_of(result, as_failure=as_failure, behind=behind)
    many = len(curves) > MOST_IN_ONE
    draw = small_multiples if many else step_plot
    return Figure(
        name=f"survival-by-{result.stratum_code}",
        title=_title(result, as_failure=as_failure),
        plot=draw(curves, as_failure=as_failure),
        facts=_facts(result, curves, as_failure=as_failure, many=many),
        cautions=(*_turned_cautions(result, as_failure=as_failure), *_crossing(curves), *result.cautions),
        table=landmark_table(result, as_failure=as_failure),
        csv_url=csv_url,
    )


def curves_of(
    result: SurvivalResult, *, as_failure: bool = False, behind: Mapping[str, str] | None = None
) -> list[Drawn]:
    """The groups that may be drawn, in reading order; of more than MOST_PANELS the largest."""
    shown = [(place, group) for place, group in enumerate(result.groups) if group.is_shown]
    largest = sorted(shown, key=lambda each: -each[1].curve.n)[:MOST_PANELS]
    addresses = behind or {}
    return [
        drawn(group, look(place), as_failure=as_failure, behind=addresses.get(group.code, ""))
        for place, group in sorted(largest, key=itemgetter(0))
    ]


def _title(result: SurvivalResult, *, as_failure: bool) -> str:
    if not as_failure:
        return result.title
    return f"{result.definition_name}: one less the share of repairs standing, by {result.stratum_title}"


# --- tables -----------------------------------------------------------------------------------


def landmark_table(result: SurvivalResult, *, as_failure: bool = False) -> DataTable:
    """Survival at the landmark years with interval and number at risk, for each group and for all."""
    what = "Failed by" if as_failure else "Standing at"
    years = [f"{what} {wording.counted(year, 'year')}" for year in LANDMARK_DAYS]
    columns = (
        result.stratum_title.capitalize(),
        "Repairs",
        "Failures",
        *_interleaved(years),
        "Median follow-up (months)",
        "Completeness",
    )
    groups = (*result.groups, result.overall)
    rows = tuple(_landmark_row(group, as_failure=as_failure) for group in groups)
    title = _title(result, as_failure=as_failure)
    return DataTable(f"{title}: share with 95 % interval.", columns, rows)


def _interleaved(years: Sequence[str]) -> Iterator[str]:
    for year in years:
        yield from (year, "At risk")


def _landmark_row(group: Group, *, as_failure: bool) -> tuple[str, ...]:
    cells = [group.label, f"{group.curve.n:,}", f"{group.curve.events:,}"]
    for point in group.curve.landmarks:
        cells += [landmark_share(group, turned(point) if as_failure else point), f"{point.at_risk:,}"]
    if not group.is_shown:
        return (*cells, wording.TOO_FEW, wording.TOO_FEW)
    return (*cells, wording.months_with_interval(group.follow_up), wording.percent(group.completeness))


def landmark_share(group: Group, point: Landmark) -> str:
    """A group's survival at a landmark; groups too small for a percentage say so."""
    return wording.share_with_interval(point) if group.is_shown else wording.TOO_FEW


def turned(point: Landmark) -> Landmark:
    """A point of the curve as one less the share standing; its limits change places."""
    survival, lower, upper = (
        None if share is None else 1 - share for share in (point.survival, point.upper, point.lower)
    )
    return Landmark(point.day, survival, lower, upper, point.at_risk)


def pairs_table(result: SurvivalResult) -> DataTable | None:
    """The test of each two groups with P values after Holm; None where there are no pairs to tell of."""
    if not result.pairs:
        return None
    labels = {group.code: group.label for group in result.groups}
    rows = tuple(
        (
            f"{labels.get(pair.a, pair.a)} and {labels.get(pair.b, pair.b)}",
            f"{pair.n:,}",
            f"{pair.events:,}",
            "-" if pair.statistic is None else f"{pair.statistic:.2f}",
            "-" if pair.p is None else wording.p_value(pair.p),
            "-" if pair.p_holm is None else wording.p_value(pair.p_holm),
        )
        for pair in result.pairs
    )
    columns = ("Groups", "Repairs", "Failures", "Chi-square", "Alone", "After Holm")
    return DataTable(
        f"Each two groups by {result.stratum_title}. {comparison.METHOD_PAIRWISE}", columns, rows
    )


# --- words ------------------------------------------------------------------------------------


def _facts(
    result: SurvivalResult, curves: Sequence[Drawn], *, as_failure: bool, many: bool
) -> tuple[tuple[str, str], ...]:
    overall = result.overall
    closed_on = date_format(result.closed_on, "j M Y")
    return (
        ("In words", _alternative(result, curves, as_failure=as_failure)),
        ("Cohort", result.cohort_sentence),
        (result.definition_name, result.definition_sentence),
        *((("Shown", TURNED),) if as_failure else ()),
        *(("Drawing", words) for words in _drawing(result, curves, many=many)),
        (
            "Repairs",
            f"{overall.curve.n:,}, of which failed {overall.curve.events:,}; "
            f"ended by death, knee replacement or another tear {overall.ended_otherwise:,}",
        ),
        ("Median follow-up", f"{wording.months_with_interval(overall.follow_up)} months"),
        (
            "Follow-up complete",
            f"{wording.percent(overall.completeness)} of the time possible until {closed_on}",
        ),
        ("Comparison", comparison_sentence(result)),
        *further_tests(result),
        *(("Note", note) for note in result.notes),
        ("Method", " ".join((*result.methods, *_further_methods(result)))),
        ("References", " ".join((*result.references, *_further_references(result)))),
    )


def comparison_sentence(result: SurvivalResult) -> str:
    """The test in words, never a P value without what was compared."""
    test = result.comparison
    if test is None:
        return "Fewer than two groups, or no failure: nothing to compare."
    return (
        f"Log-rank over {len(test.groups)} groups: chi-square {test.statistic:.2f}, "
        f"{_degrees(test.df)}, {wording.p_value(test.p)}."
    )


def further_tests(result: SurvivalResult) -> Iterator[tuple[str, str]]:
    """Trend over ordered groups and the test with the patient as cluster, where there are any."""
    if result.trend:
        first, last = list(result.trend.scores)[:: len(result.trend.scores) - 1]
        labels = {group.code: group.label for group in result.groups}
        yield (
            "Trend",
            f"Log-rank for trend from {labels.get(first, first)} to {labels.get(last, last)}: "
            f"z {result.trend.z:.2f} (above 0 where failure rises), {wording.p_value(result.trend.p)}.",
        )
    test = result.clustered_test
    if test and test.statistic is not None and test.p is not None:
        yield (
            "Patients as clusters",
            f"Robust score test: chi-square {test.statistic:.2f}, {_degrees(test.df)}, "
            f"{wording.p_value(test.p)}.",
        )


def _degrees(df: int) -> str:
    return wording.counted(df, "degree of freedom", "degrees of freedom")


def _further_methods(result: SurvivalResult) -> Iterator[str]:
    if result.trend:
        yield result.trend.method


def _further_references(result: SurvivalResult) -> Iterator[str]:
    if result.trend:
        yield trend.REFERENCE


def _drawing(result: SurvivalResult, curves: Sequence[Drawn], *, many: bool) -> Iterator[str]:
    if many:
        yield EACH_ALONE
    if len(curves) < sum(group.is_shown for group in result.groups):
        yield ONLY_SOME_DRAWN.format(most=MOST_PANELS)


def _turned_cautions(result: SurvivalResult, *, as_failure: bool) -> Iterator[str]:
    if as_failure and result.overall.ended_otherwise:
        yield NO_RISK.format(n=wording.counted(result.overall.ended_otherwise, "repair"))


def _crossing(curves: Sequence[Drawn]) -> Iterator[str]:
    pairs = list(combinations([of for of in curves if of.group.code != UNKNOWN], 2))
    cross = [(a.label, b.label) for a, b in pairs if comparison.crossing(a.curve, b.curve)]
    if len(cross) > MOST_NAMED:
        yield MANY_CROSS.format(cross=len(cross), pairs=len(pairs))
    else:
        yield from (crossing_curves(*names).sentence for names in cross)


def _alternative(result: SurvivalResult, curves: Sequence[Drawn], *, as_failure: bool) -> str:
    """What the drawing shows, for who cannot see it."""
    if not curves:
        return "Nothing is drawn: every group is too small for a curve."
    ends = [f"{of.label} {_at_two_years(of, as_failure=as_failure)}" for of in curves]
    course, what = ("rising", "failed") if as_failure else ("falling", "of repairs still standing")
    shown = f"{wording.counted(len(curves), f'{course} step curve')} of the share {what}"
    told = "; ".join(end for end in ends if not end.endswith(" -"))
    return f"{shown}. At two years: {told}." if told else f"{shown}; none reaches two years."


def _at_two_years(of: Drawn, *, as_failure: bool) -> str:
    point: Any = of.curve.landmarks[1]
    return wording.share_with_interval(turned(point) if as_failure else point)
