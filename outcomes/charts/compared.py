"""Two cohorts in one drawing, and their survival, means and differences as a table."""

from collections.abc import Iterator, Sequence

from django.utils.formats import date_format

from outcomes import wording
from outcomes.analyses.context import Context
from outcomes.charts.figure import DataTable, Figure
from outcomes.charts.step_curves import drawn
from outcomes.charts.step_plot import step_plot
from outcomes.charts.steps import look
from outcomes.charts.survival import landmark_share
from outcomes.compared import Compared, LandmarkDifference
from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.results import Group
from outcomes.survival import FADED
from outcomes.wording import DAYS_PER_MONTH

CSV_COLUMNS = (
    "cohort",
    "day",
    "at_risk",
    "failures",
    "censored",
    "survival",
    "std_error",
    "lower_95",
    "upper_95",
)


def compared_figure(found: Compared, contexts: Sequence[Context], csv_url: str = "") -> Figure:
    """Draw two cohorts, whose contexts are given in the same order."""
    groups = [group for group in (found.first, found.second) if group.is_shown]
    return Figure(
        name="two-cohorts",
        title=_title(contexts),
        plot=step_plot([drawn(group, look(place)) for place, group in enumerate(groups)]),
        facts=_facts(found, contexts),
        cautions=tuple(_cautions(found, contexts)),
        table=_table(found, contexts),
        csv_url=csv_url,
    )


def compared_steps(found: Compared) -> Iterator[tuple[object, ...]]:
    """Every step of both curves at full precision, as CSV_COLUMNS name it."""
    for group in (found.first, found.second):
        if group.is_shown:
            curve = group.curve
            counts = (curve.time, curve.at_risk, curve.events_at, curve.censored_at)
            for step in zip(*counts, curve.survival, curve.std_error, curve.lower, curve.upper, strict=True):
                yield (group.label, *step)


def _title(contexts: Sequence[Context]) -> str:
    names = dict.fromkeys(context.definition.name for context in contexts)
    return f"{' and '.join(names)}: repairs still standing, two cohorts side by side"


# --- table ------------------------------------------------------------------------------------


def _table(found: Compared, contexts: Sequence[Context]) -> DataTable:
    columns = ["Cohort", "Repairs", "Failures"]
    for year in LANDMARK_DAYS:
        columns += [f"Standing at {wording.counted(year, 'year')}", "At risk"]
    rows = [_row(found.first), _row(found.second)]
    if found.differences:
        rows.append(_difference_row(found.differences))
    return DataTable(f"{_title(contexts)}: share with 95 % interval.", tuple(columns), tuple(rows))


def _row(group: Group) -> tuple[str, ...]:
    cells = [group.label, f"{group.curve.n:,}", f"{group.curve.events:,}"]
    for point in group.curve.landmarks:
        cells += [landmark_share(group, point), f"{point.at_risk:,}"]
    return tuple(cells)


def _difference_row(differences: Sequence[LandmarkDifference]) -> tuple[str, ...]:
    cells = ["First less second (percentage points)", "", ""]
    for difference in differences:
        cells += [points(difference), ""]
    return tuple(cells)


def points(difference: LandmarkDifference) -> str:
    """A difference of two shares in percentage points with its interval."""
    if difference.estimate is None:
        return "-"
    said = f"{100 * difference.estimate:.1f}"
    if difference.lower is None or difference.upper is None:
        return said
    return f"{said} ({100 * difference.lower:.1f} to {100 * difference.upper:.1f})"


# --- words ------------------------------------------------------------------------------------


def _facts(found: Compared, contexts: Sequence[Context]) -> tuple[tuple[str, str], ...]:
    pairs = list(zip((found.first, found.second), contexts, strict=True))
    definitions = {context.definition.name: context.definition.sentence for context in contexts}
    return (
        ("In words", _alternative(found)),
        *((group.label, context.cohort_sentence) for group, context in pairs),
        *definitions.items(),
        ("Repairs", "; ".join(_counts(group) for group, _ in pairs)),
        ("Median follow-up", "; ".join(_follow_up(group) for group, _ in pairs)),
        ("Follow-up complete", "; ".join(_complete(group) for group, _ in pairs) + _until(contexts[0])),
        ("In both", wording.counted(found.in_both, "repair")),
        ("Comparison", comparison_sentence(found)),
        ("Mean time without failure", means_sentence(found)),
        ("Method", " ".join(found.methods)),
        ("References", " ".join(found.references)),
    )


def _counts(group: Group) -> str:
    return (
        f"{group.label} {group.curve.n:,}, of which failed {group.curve.events:,}, "
        f"ended otherwise {group.ended_otherwise:,}"
    )


def _follow_up(group: Group) -> str:
    said = f"{wording.months_with_interval(group.follow_up)} months" if group.is_shown else wording.TOO_FEW
    return f"{group.label} {said}"


def _complete(group: Group) -> str:
    return f"{group.label} {wording.percent(group.completeness) if group.is_shown else wording.TOO_FEW}"


def _until(context: Context) -> str:
    return f", of the time possible until {date_format(context.closed_on, 'j M Y')}"


def comparison_sentence(found: Compared) -> str:
    """The test in words, with what was compared; or why there is none."""
    if found.not_compared:
        return found.not_compared
    if found.test is None:
        return "No failure while both are at risk: nothing to test."
    two_years = next(difference for difference in found.differences if difference.day == LANDMARK_DAYS[2])
    differ = (
        f"At two years, first less second: {points(two_years)} percentage points. "
        if two_years.estimate is not None
        else ""
    )
    return (
        f"{differ}Log-rank over 2 groups: chi-square {found.test.statistic:.2f}, 1 degree of freedom, "
        f"{wording.p_value(found.test.p)}."
    )


def means_sentence(found: Compared) -> str:
    """How much longer repairs of the first cohort last, up to the horizon of both."""
    means = found.means
    if means is None:
        return "Not compared." if found.not_compared else "Not followed long enough."
    said = f"{means.estimate / DAYS_PER_MONTH:.1f}"
    if means.lower is not None and means.upper is not None:
        said += f" ({means.lower / DAYS_PER_MONTH:.1f} to {means.upper / DAYS_PER_MONTH:.1f})"
    horizon = wording.months(means.tau)
    return f"First less second, counting each repair up to {horizon} months: {said} months."


def _alternative(found: Compared) -> str:
    shown = [group for group in (found.first, found.second) if group.is_shown]
    if not shown:
        return "Nothing is drawn: both cohorts are too small for a curve."
    ends = [f"{group.label} {wording.share_with_interval(group.curve.landmarks[1])}" for group in shown]
    lines = wording.counted(len(shown), "falling step curve")
    return f"{lines} of the share of repairs still standing. At two years: {'; '.join(ends)}."


def _cautions(found: Compared, contexts: Sequence[Context]) -> Iterator[str]:
    if found.not_compared:
        yield found.not_compared
    yield from found.cautions
    yield FADED
    seen: dict[str, None] = {}
    for group, context in zip((found.first, found.second), contexts, strict=True):
        own = [caution for caution in context.cautions if caution not in context.definition.cautions]
        seen |= dict.fromkeys(f"{group.label}: {caution}" for caution in own)
        seen |= dict.fromkeys(context.definition.cautions)
    yield from seen
