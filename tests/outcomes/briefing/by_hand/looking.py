"""Second looks and the clinic before them, by hand."""

from typing import Any

import numpy as np
import pandas as pd

from tests.outcomes.briefing.by_hand.follow import Story
from tests.outcomes.briefing.by_hand.formulas import kappa, told
from tests.outcomes.briefing.by_hand.tables import Tables, beside


def _findings(tables: Tables) -> pd.DataFrame:
    """Looks at tears whose healed thickness was recorded, in the order of time, with the patient's limits."""
    rows = tables["SecondLookFinding"]
    rows = beside(
        rows[rows["healed_thickness_percent"].notna()],
        "look_id",
        tables["SecondLook"],
        "looked_on",
        "knee_id",
        "reason",
    )
    rows = beside(rows, "look_id.knee_id", tables["Knee"], "patient_id")
    rows = beside(rows, "look_id.knee_id.patient_id", tables["Patient"], "unit_id")
    unit = "look_id.knee_id.patient_id.unit_id"
    rows = beside(rows, unit, tables["Unit"], "failed_cleft_from_percent", "healed_cleft_below_percent")
    rows["cleft"] = 100 - rows["healed_thickness_percent"]
    rows["fails"] = rows["cleft"] >= rows[f"{unit}.failed_cleft_from_percent"]
    rows["part"] = rows["cleft"] >= rows[f"{unit}.healed_cleft_below_percent"]
    return rows.sort_values(["look_id.looked_on", "id"])


def looks(tables: Tables, repairs: pd.DataFrame, fewest: int) -> dict[str, Any]:
    rows = _findings(tables)
    rows = rows[rows["tear_id"].isin(repairs["tear_id"])].drop_duplicates("tear_id")
    length = rows["healed_length_percent"]
    told_apart = [rows["fails"], rows["part"], length.isna(), length == 100]
    rows["class"] = np.select(told_apart, ["failed", "partly", "untold", "healed"], "partly")
    n = len(rows)
    return {
        "repairs": len(repairs),
        "looked_at": n,
        "classes": {
            code: told(int((rows["class"] == code).sum()), n, fewest)
            for code in ("healed", "partly", "failed", "untold")
        },
        "reasons": {code: int(count) for code, count in rows["look_id.reason"].value_counts().items()},
    }


def clinic(tables: Tables, repairs: pd.DataFrame, fewest: int) -> dict[str, Any]:
    """The last telling visit within 183 days before the first look that has one."""
    operated = repairs.set_index("tear_id")["operated_on"].to_dict()
    rows = _findings(tables)
    rows = rows[rows["tear_id"].isin(operated)]
    story = Story(tables)
    visits = {knee: of for knee, of in tables["Visit"].sort_values(["seen_on", "id"]).groupby("knee_id")}
    pairs, seen = [], set()
    for row in rows.to_dict("records"):
        if row["tear_id"] in seen:
            continue
        knee = row["look_id.knee_id"]
        visit = _telling(visits.get(knee), story, knee, row["look_id.looked_on"], operated[row["tear_id"]])
        if visit is not None:
            seen.add(row["tear_id"])
            pairs.append((_signs(visit), not row["fails"], knee))
    findings = {}
    for place, code in enumerate(("signs", "effusion", "tenderness", "mcmurray")):
        known = [(signs[place], healed) for signs, healed, _ in pairs if signs[place] is not None]
        findings[code] = _agreement(known, fewest)
    counts = {
        "tears": len(pairs),
        "knees": len({knee for *_, knee in pairs}),
        "looked_at": rows["tear_id"].nunique(),
    }
    return {**counts, "repairs": len(repairs), "findings": findings}


def _telling(visits: pd.DataFrame | None, story: Story, knee: int, looked: int, operated: int) -> Any:
    if visits is None:
        return None
    for visit in reversed(visits.to_dict("records")):
        on = visit["seen_on"]
        in_time = operated <= on <= looked and looked - on <= 183
        if in_time and _signs(visit)[0] is not None and story.settled(knee, on) >= 183:
            return visit
    return None


def _signs(visit: dict[str, Any]) -> tuple[bool | None, ...]:
    """All three absent, no effusion, no tenderness, no McMurray; None where not recorded."""
    dry = None if not visit["effusion"] else visit["effusion"] == "none"
    calm, negative = (
        None if pd.isna(visit[name]) else not visit[name] for name in ("joint_line_tenderness", "mcmurray")
    )
    signs = (dry, calm, negative)
    healed = False if False in signs else None if None in signs else True
    return (healed, *signs)


def _agreement(known: list[tuple[bool, bool]], fewest: int) -> dict[str, Any]:
    a, b, c, d = (known.count(pair) for pair in ((True, True), (True, False), (False, True), (False, False)))
    found: dict[str, Any] = {
        "both": len(known),
        "sensitivity": told(a, a + c, fewest),
        "specificity": told(d, b + d, fewest),
        "positive_predictive_value": told(a, a + b, fewest),
        "negative_predictive_value": told(d, c + d, fewest),
    }
    return {**found, "kappa": kappa(a, b, c, d)} if len(known) >= fewest else found
