"""What ends a repair first: the share ended by failure, death, knee replacement or another tear."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from outcomes import wording
from outcomes.analyses import context as follow_up
from outcomes.analyses.context import Context
from outcomes.estimators import competing
from outcomes.estimators.comparison import LogRank
from outcomes.estimators.competing import CauseIncidence, CumulativeIncidence
from outcomes.estimators.survival import LANDMARK_DAYS, Interval
from outcomes.results import FEWEST_SHOWN
from outcomes.strata import UNKNOWN, Stratum
from outcomes.survival import FADED, Counted, columns_of
from outcomes.timeline import CENSORED, DIED, FAILED, REMOVED, REPLACED

# What the outcomes of the time line are called as causes, in the order they are told.
CAUSES = {
    FAILED: "failure",
    DIED: "death",
    REPLACED: "knee replacement",
    REMOVED: "removal of the meniscus for another tear",
}
NOT_ONE_MINUS_SURVIVAL = (
    "The risk of failure is read here, not as one minus the Kaplan-Meier estimate: that one takes repairs "
    "ended by death, knee replacement or another tear as if they could still fail, and so says too much. "
    "It is never shown as a risk where there are such repairs."
)
HAZARDS_COMPARED = (
    "The test compares the hazards of failure; cumulative incidences can differ without it, through the "
    "other causes."
)


@dataclass(frozen=True, slots=True)
class Course:
    """The share that one cause has ended in one group of repairs, by each time; days as unit."""

    code: str
    label: str
    cause: str
    group: CumulativeIncidence

    @property
    def is_shown(self) -> bool:
        """Whether its course may be drawn and read; a group of fewer repairs is told by counts alone."""
        return self.group.n >= FEWEST_SHOWN

    @property
    def steps(self) -> CauseIncidence:
        """The course itself, an entry for each time of the group."""
        return self.group.causes[self.cause]

    @property
    def landmarks(self) -> tuple[tuple[Interval, int], ...]:
        """Incidence at the landmark years with the number at risk then."""
        read = [self.group.at(day) for day in LANDMARK_DAYS.values()]
        return tuple((at.causes[self.cause], at.at_risk) for at in read)

    def at_risk_on(self, day: float) -> int:
        """How many repairs are at risk on a day from the operation."""
        return self.group.at(day).at_risk


@dataclass(frozen=True, slots=True)
class CompetingResult:
    """Cumulative incidence of each cause in a cohort or, given a stratum, of failure in each of its levels.

    `courses` is empty when no repair was counted. `test` is of the cause-specific hazards of failure; None
    without a stratum, or when fewer than two known levels, or no failure, leave nothing to compare.
    """

    title: str
    context: Context
    stratum_code: str
    split_by: str
    courses: tuple[Course, ...]
    test: LogRank | None
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    references: tuple[str, ...]


def competing_result(counted: Counted, context: Context, stratum: Stratum | None = None) -> CompetingResult:
    """Estimate the cumulative incidence of each cause or, by the levels of a stratum, of failure.

    Parameters
    ----------
    counted : the cohort's counts, with the column of `stratum`
    context : what is said of the same cohort
    stratum : how to split, if at all
    """
    courses = _courses(counted.table, stratum)
    test = _test(counted.table, stratum) if stratum else None
    return CompetingResult(
        title=_title(context, stratum),
        context=context,
        stratum_code=stratum.code if stratum else "",
        split_by=stratum.title if stratum else "",
        courses=courses,
        test=test,
        notes=_notes(courses, stratum),
        cautions=_cautions(courses, context, stratum, test),
        methods=(*_methods(courses, test), follow_up.METHOD),
        references=_references(test),
    )


def _title(context: Context, stratum: Stratum | None) -> str:
    what = f"failed, by {stratum.title}" if stratum else "ended, by cause"
    return f"{context.definition.name}: repairs {what}, with competing events"


def _courses(table: pd.DataFrame, stratum: Stratum | None) -> tuple[Course, ...]:
    if table.empty:
        return ()
    return _by_level(table, stratum) if stratum else _by_cause(table)


def _by_cause(table: pd.DataFrame) -> tuple[Course, ...]:
    group = _incidence(table)
    return tuple(Course(code, cause.capitalize(), cause, group) for code, cause in CAUSES.items())


def _by_level(table: pd.DataFrame, stratum: Stratum) -> tuple[Course, ...]:
    return tuple(
        Course(code, label, CAUSES[FAILED], _incidence(table[table[stratum.code] == code]))
        for code, label in stratum.levels.items()
        if (table[stratum.code] == code).any()
    )


def _incidence(table: pd.DataFrame) -> CumulativeIncidence:
    columns = _columns(table)
    return competing.cumulative_incidence(causes=tuple(CAUSES.values()), **columns)


def _columns(table: pd.DataFrame) -> dict[str, Any]:
    """The columns of a count table with the cause of each end in place of whether it failed."""
    columns = columns_of(table)
    del columns["failed"]
    return {**columns, "cause": table["outcome"].map({**CAUSES, CENSORED: competing.CENSORED}).to_numpy()}


def _test(table: pd.DataFrame, stratum: Stratum) -> LogRank | None:
    known = table[table[stratum.code] != UNKNOWN]
    if known.empty:
        return None
    columns = _columns(known)
    del columns["cluster"]
    tests = competing.cause_specific_log_rank(group=known[stratum.code].to_numpy(), **columns)
    return tests.get(CAUSES[FAILED])


def _notes(courses: Sequence[Course], stratum: Stratum | None) -> tuple[str, ...]:
    unknown = [course for course in courses if course.code == UNKNOWN]
    said = (
        NOT_ONE_MINUS_SURVIVAL,
        stratum.note if stratum else "",
        f"{unknown[0].label} (n = {unknown[0].group.n}) is shown but left out of the test."
        if unknown
        else "",
    )
    return tuple(filter(None, said))


def _cautions(
    courses: Sequence[Course], context: Context, stratum: Stratum | None, test: LogRank | None
) -> tuple[str, ...]:
    small = [course.label for course in courses if not course.is_shown] if stratum else []
    said = (
        FADED,
        f"Fewer than {FEWEST_SHOWN} repairs, so counts only: {', '.join(small)}." if small else "",
        HAZARDS_COMPARED if test else "",
        _clustered(context, test),
        *(caution.sentence for caution in (test.cautions if test else ())),
        stratum.caution if stratum else "",
        *context.cautions,
    )
    return tuple(filter(None, said))


def _clustered(context: Context, test: LogRank | None) -> str:
    if not context.repeated_patients:
        return ""
    patients = wording.counted(context.repeated_patients, "patient")
    have = "has" if context.repeated_patients == 1 else "have"
    said = f"{patients} {have} several repairs, which go together: intervals take the patient as cluster"
    return f"{said}; the test does not." if test else f"{said}."


def _methods(courses: Sequence[Course], test: LogRank | None) -> tuple[str, ...]:
    methods = [course.group.method for course in courses] + [test.method if test else ""]
    return tuple(dict.fromkeys(filter(None, methods)))


def _references(test: LogRank | None) -> tuple[str, ...]:
    return tuple(filter(None, (competing.REFERENCE, test.reference if test else "", follow_up.REFERENCE)))
