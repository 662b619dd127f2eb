"""Each repair with its tear, operation, patient and strata, by the rules as the papers have them."""

from datetime import date
from typing import Any

import pandas as pd

from tests.outcomes.briefing.by_hand.tables import Tables

LIGAMENTS = ("acl", "pcl", "mcl", "lcl", "posterolateral", "anterolateral")
SIX = (
    "vascular_zone_met", "unstable_on_probing", "body_intact", "knee_stable", "alignment_acceptable",
    "cartilage_acceptable",
)  # fmt: skip
TECHNIQUES = ("all_inside", "inside_out", "outside_in", "pull_out", "suture_anchor", "suture_hook")
STRATA = {
    "zone": lambda row: row["vascular_zone"] or "unknown",
    "acuity": lambda row: _acuity(row),
    "ligament": lambda row: _ligament(row),
    "meniscus": lambda row: row["meniscus"],
    "pattern": lambda row: row["pattern"],
    "technique": lambda row: _technique(row),
    "augmentation": lambda row: row["augmentation"],
    "indications": lambda row: _indications(row),
    "age": lambda row: _age(row),
    "smoking": lambda row: row["smoking"] or "unknown",
}


def repairs_of(tables: Tables) -> pd.DataFrame:
    """A row a repair, with its tear, operation, patient and strata."""
    tears = tables["Tear"].drop(columns=["version", "withdrawn_at", "recorded_at"], errors="ignore")
    procedures = tables["IndexProcedure"].drop(columns=["version", "recorded_at"])
    knees = tables["Knee"][["id", "uuid", "patient_id"]]
    patients = tables["Patient"][["id", "born_on", "died_on", "unit_id"]]
    rows = tables["Repair"].rename(columns={"id": "repair"})
    rows = rows.merge(
        tears.rename(columns={"id": "tear_key"}), left_on="tear_id", right_on="tear_key", suffixes=("", "_t")
    )
    rows = rows.merge(
        procedures.rename(columns={"id": "op"}), left_on="procedure_id", right_on="op", suffixes=("", "_o")
    )
    rows = rows.merge(
        knees.rename(columns={"id": "knee"}), left_on="knee_id", right_on="knee", suffixes=("", "_k")
    )
    rows = rows.merge(
        patients.rename(columns={"id": "who", "unit_id": "home"}),
        left_on="patient_id",
        right_on="who",
        suffixes=("", "_p"),
    )
    late_after = tables["Unit"].set_index("id")["late_entry_after_days"]
    gap = rows["recorded_at"].astype(int) - rows["operated_on"].astype(int)
    rows["entry"] = gap.where(gap > rows["unit_id"].map(late_after), 0)
    for code, level in STRATA.items():
        rows[f"by_{code}"] = [level(row) for row in rows.to_dict("records")]
    return rows


def _acuity(row: Any) -> str:
    if pd.isna(row["injured_on"]):
        return "unknown"
    delay = row["operated_on"] - row["injured_on"]
    return "acute" if delay <= 42 else "subacute" if delay <= 90 else "chronic"


def _ligament(row: Any) -> str:
    states = {row[name] for name in LIGAMENTS}
    if "treated_here" in states:
        return "same_operation"
    if "staged" in states or row["staging"] == "repair_first":
        return "staged_later"
    return "staged_earlier" if row["staging"] == "ligament_first" else "none"


def _technique(row: Any) -> str:
    used = [name for name in TECHNIQUES if row[name]]
    return used[0] if len(used) == 1 else "several"


def _indications(row: Any) -> str:
    answers = {row[name] for name in SIX}
    return "outside" if "no" in answers else "within" if answers == {"yes"} else "unknown"


def _age(row: Any) -> str:
    born, on = date.fromordinal(int(row["born_on"])), date.fromordinal(int(row["operated_on"]))
    years = on.year - born.year - ((on.month, on.day) < (born.month, born.day))
    first = next((limit for limit in (20, 30, 40) if years < limit), None)
    return f"under_{first}" if first else "from_40"
