"""A cohort's scores on one scale: a row a knee, a column a planned time point, from three queries."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from django.db.models import Case, F, FloatField, QuerySet, Value, When
from django.db.models.fields.json import KT
from django.db.models.functions import Cast
from numpy.typing import NDArray

from outcomes.timeline import entered_late
from registry.database import Days, in_pieces
from registry.models import PlannedTimePoint, Repair, ScoreResponse
from registry.rules.schedule import DEFAULT_PLAN
from registry.vocabulary import TimePoint

BEFORE = "before"

# Days are counted from here, so that the database hands over whole numbers and no dates.
_DAY_0 = date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class ScoreTable:
    """Scores by knee and time point, with who could have answered.

    `scores` holds unrounded values, NaN where there is none; its rows are knees in the order of their public
    keys, which are random, and its columns BEFORE and the planned time points in the order of time. `reached`
    counts the knees whose window at a time point is over, the patient living, or that have a score there;
    `not_scorable` those that answered there but too few items. Repairs entered later from old notes are left
    out and counted.
    """

    scores: pd.DataFrame
    reached: dict[str, int]
    not_scorable: dict[str, int]
    entered_late: int

    @property
    def points(self) -> list[str]:
        """The time points that some knee has reached."""
        return [point for point in self.scores.columns if self.reached[point]]


def score_table(repairs: QuerySet[Repair], instrument: str, scale: str, on: date) -> ScoreTable:
    """Read the scores of these repairs' knees, one a knee and time point.

    A knee's time runs from its first repair among them. Before stands for the last score on or before that
    day; at a planned time point counts the score nearest to the due day within the window of the operating
    unit's plan, the earlier of two as near.

    Parameters
    ----------
    repairs : the cohort
    instrument, scale : codes of the form and of one of its scales
    on : the day up to which a time point could be reached
    """
    started, late = _starts(repairs)
    answers = _answers(repairs, instrument, scale).merge(started, on="knee")
    answers["day"] = answers["answered"] - answers["operated"]
    plan = _plan(started["unit"].unique().tolist())
    scored = answers["value"].notna()
    points = [BEFORE, *(point for point in TimePoint.values if point in set(plan["point"]))]
    chosen = _chosen(answers[scored], plan)
    wide = chosen.pivot(index="knee", columns="point", values="value")
    scores = wide.reindex(index=started["knee"], columns=points)
    return ScoreTable(
        scores=scores,
        reached=_reached(started, plan, scores, (on - _DAY_0).days),
        not_scorable=_not_scorable(_chosen(answers[~scored], plan), scores),
        entered_late=late,
    )


def _starts(repairs: QuerySet[Repair]) -> tuple[pd.DataFrame, int]:
    """Each knee's first repair, and how many repairs were entered late."""
    procedure = "tear__procedure__"
    rows = (
        repairs.annotate(
            operated=_day(f"{procedure}operated_on"),
            died=_day(f"{procedure}knee__patient__died_on"),
            late=Case(When(entered_late(), then=Value(1)), default=Value(0)),
        )
        .order_by(f"{procedure}knee__uuid", "operated", f"{procedure}unit")
        .values_list(f"{procedure}knee", "operated", f"{procedure}unit", "late", "died")
    )
    table = _numbers(rows, ["knee", "operated", "unit", "late"], ["died"])
    late = table["late"] > 0
    return table[~late].drop(columns="late").drop_duplicates("knee"), int(late.sum())


def _answers(repairs: QuerySet[Repair], instrument: str, scale: str) -> pd.DataFrame:
    knees = repairs.order_by().values("tear__procedure__knee")
    rows = (
        ScoreResponse.objects.filter(instrument=instrument, knee__in=knees)
        .order_by()
        .annotate(answered=_day("answered_on"), value=Cast(KT(f"scale_values__{scale}"), FloatField()))
        .values_list("knee", "answered", "value")
    )
    return _numbers(rows, ["knee", "answered"], ["value"])


def _numbers(rows: QuerySet[Any, Any], whole: Sequence[str], other: Sequence[str]) -> pd.DataFrame:
    """The rows of a query of numbers as columns, those of `other` NaN where there is none."""
    names = [*whole, *other]
    parts = [np.empty((0, len(names))), *(np.array(found, float) for found in in_pieces(rows))]
    return pd.DataFrame(np.concatenate(parts), columns=names).astype(dict.fromkeys(whole, int))


def _day(field: str) -> Any:
    return Days(F(field), Value(_DAY_0))


def _plan(units: list[int]) -> pd.DataFrame:
    """The reviews of each unit's own plan, or of the default."""
    rows = list(
        PlannedTimePoint.objects.filter(unit__in=units)
        .order_by()
        .values_list("unit", "time_point", "due_day", "window_days")
    )
    own = {unit for unit, *_ in rows}
    rows += [
        (unit, review.code, review.due_day, review.window_days)
        for unit in units
        if unit not in own
        for review in DEFAULT_PLAN
    ]
    return pd.DataFrame(rows, columns=["unit", "point", "due", "window"])


def _chosen(answers: pd.DataFrame, plan: pd.DataFrame) -> pd.DataFrame:
    """One answer a knee and time point: the last before, the nearest to the due day after."""
    before = answers[answers["day"] <= 0].sort_values(["knee", "day"]).drop_duplicates("knee", keep="last")
    chosen = [before.assign(point=BEFORE)]
    later = answers[answers["day"] > 0]
    for point, reviews in plan.groupby("point"):
        near = later.merge(reviews[["unit", "due", "window"]], on="unit")
        near["off"] = (near["day"] - near["due"]).abs()
        within = near[near["off"] <= near["window"]].sort_values(["knee", "off", "day"])
        chosen.append(within.drop_duplicates("knee").assign(point=point))
    return pd.concat([part[["knee", "point", "value"]] for part in chosen])


def _reached(started: pd.DataFrame, plan: pd.DataFrame, scores: pd.DataFrame, on: int) -> dict[str, int]:
    awaited = started.merge(plan, on="unit")
    closed = awaited["operated"] + awaited["due"] + awaited["window"]
    lived = awaited["died"].isna() | (awaited["died"] > closed)
    over = _marked(awaited[(closed < on) & lived], scores)
    counts = np.count_nonzero(over | scores.notna().to_numpy(), axis=0)
    return {**dict(zip(scores.columns, counts.tolist(), strict=True)), BEFORE: len(started)}


def _not_scorable(answered: pd.DataFrame, scores: pd.DataFrame) -> dict[str, int]:
    """Knees that answered at a time point without any answer there that could be scored."""
    lacking = np.count_nonzero(_marked(answered, scores) & scores.isna().to_numpy(), axis=0)
    return dict(zip(scores.columns, lacking.tolist(), strict=True))


def _marked(rows: pd.DataFrame, scores: pd.DataFrame) -> NDArray[np.bool_]:
    """Which cells of the table are named by rows of a knee and a time point."""
    marks = rows.assign(mark=1.0).pivot(index="knee", columns="point", values="mark")
    return marks.reindex(index=scores.index, columns=scores.columns).notna().to_numpy()
