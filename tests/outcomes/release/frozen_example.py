"""A small release as it stands before it is packed: invented, the same in every run, with awkward cases.

All five tables; late entries, ends on day 0 and ends known at entry; two operations of one knee; a repair
that revises another; what was not recorded in every kind of column.
"""

import base64
import random
from functools import cache
from hashlib import sha256
from typing import Any

import pandas as pd

from outcomes.flow_step import FlowStep
from outcomes.release.asked import Asked
from outcomes.release.columns import BOOLEAN, CODES, COLUMNS, INTEGER, JOINED_BY, NUMBER, YEAR, Column
from outcomes.release.effect import effect, landmarks
from outcomes.release.frozen import LOOKS, REOPERATIONS, REPAIRS, SCORES, VISITS, Frozen
from outcomes.release.hiding import hide
from outcomes.release.hierarchies import ATTRIBUTES, GIVEN_UP

ASKED_FOR = ("age", "sex", "side")
NOT_ASKED_FOR = (YEAR, "cause", "ligament", "bmi", "smoking", "activity")
PATIENTS = 150
ASKED = Asked(
    project="Zones & outcome",
    purpose="Whether failure differs by zone",
    approval="REC-2026/17",
    recipient="Institute of Invented Studies",
    steward="steward@example.org",
    units=("NORTH", "SOUTH"),
    cohort_name="Every repair",
    cohort_version=2,
    cohort={"which": "all", "unit": "NORTH", "since": "2019-03-04"},
    definition="reoperation",
    attributes=ASKED_FOR,
    k=5,
    stata=True,
)


@cache
def frozen_example() -> Frozen:
    """The example; callers must not change its tables."""
    chance = random.Random(20261126)  # noqa: S311 - invented data
    repairs = _repairs(chance)
    tables = {REPAIRS: repairs, **{name: _later(chance, name, repairs) for name in _ROWS}}
    kept, hidden = hide(repairs, [ATTRIBUTES[code] for code in ASKED_FOR], k=ASKED.k)
    released = {name: _kept(table, kept) for name, table in tables.items()} | {REPAIRS: _kept_repairs(kept)}
    suppressed = FlowStep("suppressed", "Stood out among the others", hidden.suppressed, len(kept))
    return Frozen(
        asked=ASKED,
        software="rimward 0.5.0",
        month="2026-11",
        record_version=4711,
        cohort_sentence="Repairs, primary and revision at 2 units.",
        definition_name="Reoperation",
        definition_sentence="Re-repair, partial or total removal, or replacement of the repaired meniscus.",
        definition_cautions=("Only what was operated on again counts.",),
        flow=(
            FlowStep("assessed", "All repairs on record", 0, len(repairs) + 9),
            FlowStep("permission_refused", "Research permission refused", 9, len(repairs)),
            suppressed,
        ),
        tables=released,
        hidden=hidden,
        survival=landmarks(released[REPAIRS]),
        effect=effect(repairs, released[REPAIRS]),
    )


def _pseudonym(kind: str, number: int) -> str:
    named = sha256(f"{kind} {number}".encode()).digest()[:16]
    return base64.b32encode(named).decode().rstrip("=").lower()


def _repairs(chance: random.Random) -> pd.DataFrame:
    """Every eighth patient was operated on twice, every fifth has two repairs of one operation."""
    rows = []
    for patient in range(PATIENTS):
        people = {
            "patient": _pseudonym("patient", patient),
            "knee": _pseudonym("knee", patient),
            "age": chance.choice(ATTRIBUTES["age"].finest[:6]),
            "sex": chance.choices(["female", "male", "unknown"], [10, 12, 1])[0],
            "side": chance.choice(["left", "right"]),
        }
        for operation in range(1 + (patient % 8 == 0)):
            for repair in range(1 + (patient % 5 == 0)):
                rows.append(_repair(chance, people, patient, operation, repair))
    table = pd.DataFrame(rows).sort_values("repair", ignore_index=True)
    return _typed(REPAIRS, table)


def _repair(
    chance: random.Random, people: dict[str, Any], patient: int, operation: int, repair: int
) -> dict[str, Any]:
    number = 100 * patient + 10 * operation + repair
    days = chance.choice([0, 30, 200, 364, 365, 366, 500, 730, 900, 1300, 1826, 2500])
    late = chance.choice([30, 200, 365, 400]) if patient % 6 == 0 else 0
    outcome = chance.choices(["failed", "censored", "died", "replaced"], [30, 60, 2, 2])[0]
    return {
        **{column.name: _value(chance, column) for column in COLUMNS[REPAIRS]},
        **people,
        **dict.fromkeys(NOT_ASKED_FOR, GIVEN_UP),
        "repair": _pseudonym("repair", number),
        "revises": _pseudonym("repair", number - 10) if operation and not repair else "",
        "operation": _pseudonym("operation", 10 * patient + operation),
        **{"unit": "", "surgeon": ""},
        "revision": int(operation and not repair),
        **{"at_risk_from": late, "days": days, "outcome": outcome, "failed": int(outcome == "failed")},
    }


_ROWS = {VISITS: 2, SCORES: 2, LOOKS: 0.2, REOPERATIONS: 0.3}


def _later(chance: random.Random, name: str, repairs: pd.DataFrame) -> pd.DataFrame:
    """Rows of another table, told of repairs drawn at random."""
    keys = [column.name for column in COLUMNS[name] if column.name in ("operation", "patient", "repair")]
    rows = []
    for _ in range(int(_ROWS[name] * len(repairs))):
        about = repairs.iloc[chance.randrange(len(repairs))]
        row = {column.name: _value(chance, column) for column in COLUMNS[name]}
        row |= {key: about[key] for key in keys} | {"days": chance.randrange(2600)}
        if name == SCORES:
            row["value"] = 100 * chance.random()
            row["days"] -= 100
        if name == REOPERATIONS and chance.random() < 0.4:
            row["repair"] = ""
        rows.append(row)
    table = _typed(name, pd.DataFrame(rows))
    return table.sort_values(list(table.columns), ignore_index=True)


def _kept_repairs(kept: pd.DataFrame) -> pd.DataFrame:
    return kept.assign(revises=kept["revises"].where(kept["revises"].isin(kept["repair"]), ""))


def _kept(table: pd.DataFrame, kept: pd.DataFrame) -> pd.DataFrame:
    """The rows of another table that are told of a repair that stayed."""
    keys = [key for key in ("operation", "repair") if key in table]
    stays = [table[key].isin(kept[key]) | table[key].eq("") for key in keys]
    return table[pd.concat(stays, axis=1).all(axis=1)].reset_index(drop=True)


def _value(chance: random.Random, column: Column) -> Any:
    """Any value that a column may have; now and then what stands for not recorded."""
    recorded = chance.random() > 0.2
    if column.type == INTEGER:
        values = [int(code) for code in column.allowed] or range(60)
        return chance.choice(values) if recorded else None
    if column.type == NUMBER:
        return chance.random() if recorded else None
    if column.type == BOOLEAN:
        return chance.random() < 0.5 if recorded else None
    if not column.allowed or not recorded:
        return column.missing
    if column.type == CODES:
        return JOINED_BY.join(code for code in column.allowed if chance.random() < 0.3)
    return chance.choice(column.allowed)


def _typed(name: str, table: pd.DataFrame) -> pd.DataFrame:
    """The types that reading gives: whole numbers that may be missing, yes or no or missing, text."""
    types = {INTEGER: "Int64", NUMBER: "float64", BOOLEAN: "boolean"}
    always = {"days", "at_risk_from", "failed", "revision"}
    told = {
        column.name: table[column.name].astype(
            "int64" if column.name in always else types.get(column.type, "object")
        )
        for column in COLUMNS[name]
    }
    return pd.DataFrame(told)
