"""Scores, by hand."""

from typing import Any

import numpy as np
import pandas as pd

from tests.outcomes.briefing.by_hand.days import PLAN, plan_of
from tests.outcomes.briefing.by_hand.formulas import mean_t, told
from tests.outcomes.briefing.by_hand.tables import Tables


def scores(
    tables: Tables, repairs: pd.DataFrame, closed: int, mcid: float, passing: float, fewest: int
) -> dict[str, Any]:
    """KOOS pain: the last score before, then the nearest to each due day within its window."""
    prompt = repairs[repairs["entry"] == 0]
    late = len(repairs) - len(prompt)
    started = prompt.sort_values(["operated_on", "unit_id"]).drop_duplicates("knee_id")
    forms = tables["ScoreResponse"]
    forms = forms[forms["instrument"] == "koos"]
    by_knee: dict[int, list[tuple[int, float | None]]] = {}
    for row in forms.itertuples():
        by_knee.setdefault(int(row.knee_id), []).append(
            (int(row.answered_on), (row.scale_values or {}).get("pain"))
        )
    plan = plan_of(tables)
    wide: dict[str, dict[int, Any]] = {"before": {}, **{code: {} for code, *_ in PLAN}}
    reached: dict[str, set[int]] = {code: set() for code in wide}
    unscored: dict[str, set[int]] = {code: set() for code in wide}
    for row in started.itertuples():
        knee, start = int(row.knee_id), int(row.operated_on)
        answers = [(day - start, value) for day, value in by_knee.get(knee, [])]
        reached["before"].add(knee)
        _put("before", knee, [(-day, day, value) for day, value in answers if day <= 0], wide, unscored)
        for code, due, window in plan(int(row.unit_id)):
            near = [
                (abs(day - due), day, value) for day, value in answers if day > 0 and abs(day - due) <= window
            ]
            _put(code, knee, near, wide, unscored)
            lived = pd.isna(row.died_on) or row.died_on > start + due + window
            if knee in wide[code] or (lived and start + due + window < closed):
                reached[code].add(knee)
    points = {
        code: _point(code, wide, len(reached[code]), len(unscored[code]), mcid, passing, fewest)
        for code in wide
        if reached[code]
    }
    return {
        "scale": "koos.pain",
        "knees": len(started),
        "entered_late": late,
        "points": points,
        "mcid": mcid,
        "pass": passing,
    }


def _put(code: str, knee: int, near: list[Any], wide: Any, unscored: Any) -> None:
    scored = sorted(each for each in near if each[2] is not None)
    if scored:
        wide[code][knee] = scored[0][2]
    elif near:
        unscored[code].add(knee)


def _point(
    code: str, wide: Any, reached: int, unscored: int, mcid: float, passing: float, fewest: int
) -> dict[str, Any]:
    here, before = wide[code], wide["before"]
    both = [] if code == "before" else [knee for knee in here if knee in before]
    found: dict[str, Any] = {
        "reached": reached,
        "answered": len(here),
        "not_scorable": unscored,
        "both": len(both),
    }
    if len(here) >= fewest:
        values = np.array(list(here.values()))
        found["level"] = mean_t(values)
        found["in_pass"] = {**told(int((values > passing).sum()), len(values), 0), "out_of_reach": 0}
    if len(both) >= fewest:
        change = np.array([here[knee] - before[knee] for knee in both])
        found["change"] = mean_t(change)
        room = np.array([100 - before[knee] for knee in both]) >= mcid
        if room.sum() >= fewest:
            improved = int(((change >= mcid) & room).sum())
            found["improved"] = {**told(improved, int(room.sum()), 0), "out_of_reach": int((~room).sum())}
    return found
