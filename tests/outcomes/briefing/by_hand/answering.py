"""Planned reviews answered, by hand."""

from typing import Any

import pandas as pd

from tests.outcomes.briefing.by_hand.days import plan_of, within
from tests.outcomes.briefing.by_hand.follow import REPLACING
from tests.outcomes.briefing.by_hand.formulas import told
from tests.outcomes.briefing.by_hand.strata import LIGAMENTS
from tests.outcomes.briefing.by_hand.tables import Tables


def response(tables: Tables, unit: int, until: int | None, closed: int, fewest: int) -> dict[str, Any]:
    """Of the reviews that are settled, how many were answered."""
    settled: dict[str, list[str]] = {}
    answers, ended = _answers(tables), tables["EndOfFollowUp"]
    given_up = tables["GivenUpReview"]
    for op in _latest_repairing(tables, closed).to_dict("records"):
        if op["unit_id"] != unit or op["operated_on"] > (until or 10**9):
            continue
        start = _start(tables, op, closed)
        stops = _stops(tables, op, ended, closed)
        for code, due, window in plan_of(tables)(unit):
            opens, closes = start + due - window, start + due + window
            if any(opens <= day <= closes and day <= closed for day in answers.get(op["knee_id"], [])):
                settled.setdefault(code, []).append("answered")
            elif closes < closed and not any(day <= closes for day in stops):
                mine = given_up[(given_up["knee_id"] == op["knee_id"]) & (given_up["time_point"] == code)]
                gone = bool(within(mine["given_up_on"], start, closed).any())
                settled.setdefault(code, []).append("given_up" if gone else "unanswered")
    settled["all"] = [each for ways in settled.values() for each in ways]
    return {
        code: {"given_up": ways.count("given_up"), **told(ways.count("answered"), len(ways), fewest)}
        for code, ways in settled.items()
    }


def _answers(tables: Tables) -> dict[int, list[int]]:
    found: dict[int, list[int]] = {}
    for table, column in (
        ("Visit", "seen_on"),
        ("ScoreResponse", "answered_on"),
        ("PatientReport", "answered_on"),
    ):
        for knee, day in zip(tables[table]["knee_id"], tables[table][column], strict=True):
            found.setdefault(int(knee), []).append(int(day))
    return found


def _latest_repairing(tables: Tables, closed: int) -> pd.DataFrame:
    tears, ops = tables["Tear"], tables["IndexProcedure"]
    repaired = tears[tears["treatment"].isin(["repaired", "part_repaired"])]["procedure_id"]
    known = ops[ops["id"].isin(repaired) & (ops["operated_on"] <= closed)]
    return known.sort_values("operated_on").drop_duplicates("knee_id", keep="last")


def _start(tables: Tables, op: dict[str, Any], closed: int) -> int:
    restarts = tables["Unit"].set_index("id")["ligament_restarts_reviews"][op["unit_id"]]
    if not restarts or op["staging"] != "repair_first":
        return int(op["operated_on"])
    again, ops = tables["Reoperation"], tables["IndexProcedure"]
    ligament = again[(again["knee_id"] == op["knee_id"]) & (again["other_surgery"] == "ligament")][
        "operated_on"
    ]
    treated = ops[(ops["knee_id"] == op["knee_id"]) & (ops[list(LIGAMENTS)] == "treated_here").any(axis=1)][
        "operated_on"
    ]
    days = [int(day) for day in (*ligament, *treated) if op["operated_on"] < day <= closed]
    return min(days, default=int(op["operated_on"]))


def _stops(tables: Tables, op: dict[str, Any], ended: pd.DataFrame, closed: int) -> list[int]:
    patient = tables["Knee"].set_index("id")["patient_id"][op["knee_id"]]
    died = tables["Patient"].set_index("id")["died_on"][patient]
    again = tables["Reoperation"]
    replaced = again[(again["knee_id"] == op["knee_id"]) & again["other_surgery"].isin(REPLACING)][
        "operated_on"
    ]
    days = [
        died,
        *ended[ended["patient_id"] == patient]["ended_on"],
        *replaced[replaced >= op["operated_on"]],
    ]
    return [int(day) for day in days if not pd.isna(day) and day <= closed]
