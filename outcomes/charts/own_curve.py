"""A surgeon's repairs still standing beside those of all surgeons of the same units."""

from collections.abc import Iterator
from dataclasses import replace

from outcomes import wording
from outcomes.charts.context import Facts, context_facts, methods_facts
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.step_curves import drawn
from outcomes.charts.step_plot import step_plot
from outcomes.charts.steps import Look
from outcomes.charts.survival import landmark_share, turned
from outcomes.charts.whose import Whose
from outcomes.estimators import follow_up
from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.own.results import Judged, OwnResults
from outcomes.results import Group

CSV_COLUMNS = ("group", "day", "at_risk", "failures", "censored", "survival", "lower_95", "upper_95")

OWN_LOOK, UNIT_LOOK = Look("var:series-1", "solid"), Look("var:ink-soft", "dash")
NO_RISK = (
    "Where death, knee replacement or another tear ended follow-up, one less the share standing says a "
    "little too much as a risk of failure."
)
INCLUDED = "All surgeons includes this surgeon."


def own_curve_figure(results: OwnResults, judged: Judged, whose: Whose, csv_url: str = "") -> Figure:
    """Draw both curves, with failures by 1, 2 and 5 years as table."""
    groups = _named(judged, whose)
    looks = (OWN_LOOK, UNIT_LOOK)
    title = f"{whose.starting} repairs still standing, beside those of all surgeons here"
    return Figure(
        name="own-survival",
        title=title,
        plot=step_plot([drawn(group, look) for group, look in zip(groups, looks, strict=True)]),
        facts=_facts(results, groups),
        cautions=_cautions(results),
        table=_table(title, groups),
        csv_url=csv_url,
    )


def own_curve_rows(judged: Judged, whose: Whose) -> Iterator[tuple[object, ...]]:
    """Every step of both curves at full precision, as CSV_COLUMNS name them."""
    for group in _named(judged, whose):
        curve = group.curve
        columns = (curve.time, curve.at_risk, curve.events_at, curve.censored_at)
        for step in zip(*columns, curve.survival, curve.lower, curve.upper, strict=True):
            yield (group.label, *step)


def _named(judged: Judged, whose: Whose) -> tuple[Group, Group]:
    return replace(judged.own, label=whose.mark), judged.unit


def _table(title: str, groups: tuple[Group, Group]) -> DataTable:
    columns = ["Surgeon", "Repairs", "Failures"]
    for year in LANDMARK_DAYS:
        columns += [f"Failed by {wording.counted(year, 'year')}", "At risk"]
    columns += ["Median follow-up (months)", "Completeness"]
    caption = f"{title}: share failed (one less the share standing) with 95 % interval."
    return DataTable(caption, tuple(columns), tuple(_row(group) for group in groups))


def _row(group: Group) -> tuple[str, ...]:
    cells = [group.label, f"{group.curve.n:,}", f"{group.curve.events:,}"]
    for point in group.curve.landmarks:
        cells += [landmark_share(group, turned(point)), f"{point.at_risk:,}"]
    followed = wording.months_with_interval(group.follow_up)
    return (*cells, followed, wording.percent(group.completeness))


def _facts(results: OwnResults, groups: tuple[Group, Group]) -> Facts:
    method = groups[0].curve.method
    references = (groups[0].curve.reference, follow_up.REFERENCE, follow_up.COMPLETENESS_REFERENCE)
    return (
        ("In words", _in_words(groups)),
        *context_facts(results.context),
        ("Surgeons", f"{results.surgeons}. {INCLUDED}"),
        *methods_facts((method, follow_up.METHOD, follow_up.COMPLETENESS_METHOD), references),
    )


def _in_words(groups: tuple[Group, Group]) -> str:
    said = [f"{group.label} {_failed_by_two_years(group)}" for group in groups]
    return f"Two falling step curves. Failed by two years: {'; '.join(said)}."


def _failed_by_two_years(group: Group) -> str:
    point = turned(group.curve.landmarks[1])
    return "not reached" if point.survival is None else wording.share_with_interval(point)


def _cautions(results: OwnResults) -> tuple[str, ...]:
    both = (results.context, results.unit_context)
    ended = any(context.ended_otherwise for context in both)
    return (*((NO_RISK,) if ended else ()), *results.context.cautions)
