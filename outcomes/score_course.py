"""From a table of scores to results: level, change and shares over thresholds at each planned time point."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from django.db.models import QuerySet

from outcomes import wording
from outcomes.cohort import Cohort
from outcomes.estimators.centre import Centre, FloatArray, mean, median
from outcomes.estimators.change import (
    PairedChange,
    ShareReaching,
    paired_change,
    share_improved,
    share_reaching,
)
from outcomes.results import FEWEST_SHOWN
from outcomes.score_table import BEFORE, ScoreTable, score_table
from outcomes.thresholds import Kind, Threshold, used
from registry.models import Unit
from registry.scoring import Direction, Instrument, Scale
from registry.vocabulary import TimePoint

# More lines than this are one smear of ink; chosen by hand.
MOST_LINES = 200
RESPONDERS = (
    "Only those who answered are in the numbers; who did not may fare otherwise. "
    "Compare how many have a score with how many reached the time point."
)
GOES_ON = "Scores after a further operation on the knee stay in: time runs on from the first repair."
BOTH_KNEES = "Two knees of one patient are treated as independent."
OTHER_PEOPLE = (
    "The thresholds come from other people than these (population and source above) and differ widely "
    "between reports: read them as a scale of orientation, no verdict."
)
ACTIVITY = "A higher level is more activity, not a better knee: read it against the level before the injury."


@dataclass(frozen=True, slots=True)
class CoursePoint:
    """One time point: who could answer, who did, where the scores lie; no numbers where too few stand behind.

    `change` is for the better and `improved` its share by the MCID, both among knees scored before as well.
    """

    code: str
    label: str
    reached: int
    answered: int
    not_scorable: int
    level: Centre | None
    in_pass: ShareReaching | None
    both: int
    change: Centre | PairedChange | None
    improved: ShareReaching | None


@dataclass(frozen=True, slots=True)
class ScoreCourse:
    """A cohort's course on one scale, with everything a reader needs to judge it.

    `lines` are single knees, one value a point of `points` (None where not shown), `lines_of` how many knees
    have a line, drawn or not.
    """

    instrument: Instrument
    scale: Scale
    points: tuple[CoursePoint, ...]
    knees: int
    entered_late: int
    mcid: Threshold | None
    passing: Threshold | None
    lines: tuple[tuple[float | None, ...], ...]
    lines_of: int
    fewest: int
    cohort_sentence: str
    on: date
    cautions: tuple[str, ...]

    @property
    def name(self) -> str:
        return scale_name(self.instrument, self.scale)

    @property
    def is_activity(self) -> bool:
        return is_activity(self.scale)


def scale_name(instrument: Instrument, scale: Scale) -> str:
    """The scale's name, after that of an instrument with several."""
    return instrument.name if len(instrument.scales) == 1 else f"{instrument.name}, {scale.name}"


def is_activity(scale: Scale) -> bool:
    """Whether it orders people by what they do: told by median and quartiles, neither better nor worse."""
    return scale.direction is Direction.HIGHER_IS_MORE_ACTIVE


def score_course(
    cohort: Cohort,
    units: QuerySet[Unit],
    instrument: Instrument,
    scale: Scale,
    on: date,
    *,
    with_lines: bool = False,
) -> ScoreCourse:
    """The course of a cohort's knees on one scale, up to a day."""
    table = score_table(cohort.repairs(units), instrument.code, scale.code, on)
    fewest = _fewest(cohort, units)
    mcid, passing = (used(kind, instrument.code, scale.code) for kind in (Kind.MCID, Kind.PASS))
    points = tuple(_point(table, code, scale, mcid, passing, fewest) for code in table.points)
    lines = _lines(table, points) if with_lines else np.empty((0, len(points)))
    return ScoreCourse(
        instrument=instrument,
        scale=scale,
        points=points,
        knees=len(table.scores),
        entered_late=table.entered_late,
        mcid=mcid,
        passing=passing,
        lines=tuple(tuple(None if np.isnan(y) else float(y) for y in line) for line in lines[:MOST_LINES]),
        lines_of=len(lines),
        fewest=fewest,
        cohort_sentence=cohort.sentence(units),
        on=on,
        cautions=_cautions(table, points, scale, mcid or passing),
    )


def _fewest(cohort: Cohort, units: QuerySet[Unit]) -> int:
    """How many must stand behind a number: the most that any unit of the cohort asks for."""
    asked = (unit.smallest_count_shown for unit in units if cohort.unit in ("", unit.code))
    return max(FEWEST_SHOWN, *asked) if units else FEWEST_SHOWN


def _point(
    table: ScoreTable,
    code: str,
    scale: Scale,
    mcid: Threshold | None,
    passing: Threshold | None,
    fewest: int,
) -> CoursePoint:
    before, values = (table.scores[column].to_numpy(dtype=float) for column in (BEFORE, code))
    answered = int(np.count_nonzero(~np.isnan(values)))
    both = 0 if code == BEFORE else int(np.count_nonzero(~np.isnan(values) & ~np.isnan(before)))
    shown, compared = answered >= fewest, both >= fewest
    return CoursePoint(
        code=code,
        label="Before" if code == BEFORE else str(TimePoint(code).label),
        reached=table.reached[code],
        answered=answered,
        not_scorable=table.not_scorable[code],
        level=(median(values) if is_activity(scale) else mean(values)) if shown else None,
        in_pass=_in_pass(values, passing, scale) if shown else None,
        both=both,
        change=_change(before, values, scale) if compared else None,
        improved=_improved(before, values, mcid, scale, fewest) if compared else None,
    )


def _in_pass(values: FloatArray, passing: Threshold | None, scale: Scale) -> ShareReaching | None:
    if passing is None or passing.value is None:
        return None
    return share_reaching(values, passing.value, passing.operator, lower_is_better=_lower(scale))


def _change(before: FloatArray, after: FloatArray, scale: Scale) -> Centre | PairedChange:
    if is_activity(scale):
        return median(after - before)
    return paired_change(before, after, best=_best(scale), lower_is_better=_lower(scale))


def _improved(
    before: FloatArray, after: FloatArray, mcid: Threshold | None, scale: Scale, fewest: int
) -> ShareReaching | None:
    """The share improved by the MCID; None where too few had room for it."""
    if mcid is None or mcid.value is None:
        return None
    share = share_improved(
        before, after, mcid.value, mcid.operator, best=_best(scale), lower_is_better=_lower(scale)
    )
    return share if share.reached.n >= fewest else None


def _lower(scale: Scale) -> bool:
    return scale.direction is Direction.LOWER_IS_BETTER


def _best(scale: Scale) -> float:
    return scale.lowest if _lower(scale) else scale.highest


def _lines(table: ScoreTable, points: Sequence[CoursePoint]) -> FloatArray:
    """The scores of each knee with two or more of them, at the points that are shown."""
    shown = [point.code for point in points]
    lines = table.scores[shown].to_numpy(dtype=float)
    lines[:, [point.level is None for point in points]] = np.nan
    kept: FloatArray = lines[np.count_nonzero(~np.isnan(lines), axis=1) > 1]
    return kept


def _cautions(
    table: ScoreTable,
    points: Sequence[CoursePoint],
    scale: Scale,
    threshold: Threshold | None,
) -> tuple[str, ...]:
    late = table.entered_late
    said = (
        RESPONDERS,
        OTHER_PEOPLE if threshold else "",
        *(f"{point.label}: {sentence}" for point in points for sentence in _ceilings(point)),
        ACTIVITY if is_activity(scale) else "",
        GOES_ON,
        BOTH_KNEES,
        f"Left out: {wording.counted(late, 'repair')} entered later from old notes." if late else "",
    )
    return tuple(filter(None, said))


def _ceilings(point: CoursePoint) -> list[str]:
    if not isinstance(point.change, PairedChange):
        return []
    return [caution.sentence for caution in point.change.cautions if caution.code == "ceiling"]
