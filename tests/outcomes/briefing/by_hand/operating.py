"""Ramp lesions, complications and cases, by hand."""

from typing import Any

from tests.outcomes.briefing.by_hand.days import within
from tests.outcomes.briefing.by_hand.formulas import told
from tests.outcomes.briefing.by_hand.tables import Tables

KINDS = (
    "saphenous_nerve", "peroneal_nerve", "vessel", "deep_vein_thrombosis", "pulmonary_embolism",
    "superficial_infection", "deep_infection", "stiffness", "implant_irritation", "implant_failure",
    "regional_pain",
)  # fmt: skip
SEVERE = ("III", "IV", "V")


def ramp(tables: Tables, unit: int, since: int | None, until: int | None, fewest: int) -> dict[str, Any]:
    rows = tables["IndexProcedure"]
    rows = rows[(rows["unit_id"] == unit) & within(rows["operated_on"], since, until)]
    rows = rows[rows["acl"].isin(["treated_here", "staged", "left"])]
    tears = tables["Tear"]
    has = rows["id"].isin(tears[tears["pattern"] == "ramp"]["procedure_id"])
    looked = rows["posteromedial_look"].isin(["through_notch", "probed"])
    return {
        "looked": told(int(looked.sum()), len(rows), fewest),
        "found": told(int((looked & has).sum()), int(looked.sum()), fewest),
        "found_without": told(int((~looked & has).sum()), int((~looked).sum()), fewest),
        "probed": int((rows["posteromedial_look"] == "probed").sum()),
        "not_recorded": int((rows["posteromedial_look"] == "").sum()),
    }


def complications(tables: Tables, ops: set[int], fewest: int) -> dict[str, Any]:
    """Each complication belongs to the latest operation on its knee up to its day."""
    procedures = tables["IndexProcedure"].sort_values(["operated_on", "id"])
    by_knee = {
        knee: list(zip(of["operated_on"], of["id"], strict=True))
        for knee, of in procedures.groupby("knee_id")
    }
    found = []
    for row in tables["Complication"].itertuples():
        earlier = [op for day, op in by_knee.get(row.knee_id, []) if day <= row.noticed_on]
        if earlier and earlier[-1] in ops:
            found.append((row.kind, row.severity, earlier[-1]))
    kinds, grades = ([each[place] for each in found] for place in (0, 1))
    severe = {op for _, grade, op in found if grade in SEVERE}
    return {
        "kinds": {code: kinds.count(code) for code in KINDS if code in kinds},
        "grades": {code: grades.count(code) for code in ("I", "II", *SEVERE) if code in grades},
        "any": told(len({op for *_, op in found}), len(ops), fewest),
        "severe": told(len(severe), len(ops), fewest),
    }
