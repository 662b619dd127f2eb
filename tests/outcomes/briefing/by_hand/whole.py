"""The whole data block by hand, from the tables and what the briefing was asked for."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from registry.models import DataVersion
from tests.outcomes.briefing.by_hand import answering, looking, operating, scoring, surgeons, tables
from tests.outcomes.briefing.by_hand.days import day_of, within
from tests.outcomes.briefing.by_hand.follow import outcomes
from tests.outcomes.briefing.by_hand.formulas import (
    LANDMARKS,
    Curve,
    clustered_score,
    holm,
    log_rank,
    tipping,
    told,
    trend,
)
from tests.outcomes.briefing.by_hand.mixing import TOGETHER, mixed
from tests.outcomes.briefing.by_hand.strata import STRATA, repairs_of

PUBLISHED = Path(__file__).parents[4] / "fixtures" / "published"
ORDERED = {
    "zone": ["RR", "RW", "WW"],
    "acuity": ["acute", "subacute", "chronic"],
    "ligament": ["none", "same_operation", "staged_later", "staged_earlier"],
}
FEWEST = 5


class ByHand:
    """The numbers of one briefing, derived anew."""

    def __init__(self, asked: dict[str, Any]) -> None:
        self.asked, self.tables = asked, tables.read()
        units = self.tables["Unit"]
        (unit,) = units[units["code"] == asked["unit"]].to_dict("records")
        self.unit, self.fewest = unit["id"], max(FEWEST, unit["smallest_count_shown"])
        self.shows_codes = unit["lead_sees_surgeon_results"]
        self.since, self.until = day_of(asked["since"]), day_of(asked["until"])
        self.closed = day_of(asked["closed_on"]) or 0
        every = repairs_of(self.tables)
        self.every = outcomes(self.tables, every, asked["definition"], self.closed)
        here = self.every[self.every["unit_id"] == self.unit]
        self.here = here
        self.primary = here[here["revises_id"].isna()]
        followed = self.primary[within(self.primary["operated_on"], None, self.until)]
        ended_before = (followed["entry"] > 0) & (followed["entry"] >= followed["day"])
        self.followed, self.left_out = followed, int(ended_before.sum())
        self.rows = followed[~ended_before]
        self.operated = self.primary[within(self.primary["operated_on"], self.since, self.until)]

    def numbers(self) -> dict[str, Any]:
        mcid, passing = self._thresholds()
        writes = sum(DataVersion.objects.values_list("writes", flat=True))
        period = self.here[within(self.here["operated_on"], self.since, self.until)]
        return {
            "asked": {**self.asked, "record_version": writes},
            "activity": self._activity(period),
            "case_mix": {code: self._split(code) for code in STRATA if code != "indications"},
            "indications": self._split("indications"),
            "survival": self._survival(),
            "looks": looking.looks(self.tables, self.followed, self.fewest),
            "clinic": looking.clinic(self.tables, self.here, self.fewest),
            "ramp": operating.ramp(self.tables, self.unit, self.since, self.until, self.fewest),
            "scores": scoring.scores(self.tables, self.followed, self.closed, mcid, passing, self.fewest),
            "complications": operating.complications(self.tables, set(period["op"]), self.fewest),
            "funnel": surgeons.funnel(self.rows, self.closed, self._codes()),
            "lost": self._lost(),
            "response": answering.response(self.tables, self.unit, self.until, self.closed, self.fewest),
            "cases": surgeons.cases(self.tables, self.here, *self._days_of_cases()),
        }

    def _thresholds(self) -> tuple[float, float]:
        rows = json.loads((PUBLISHED / "thresholds.json").read_text(encoding="utf-8"))
        used = {
            row["kind"].lower(): float(row["value"])
            for row in rows
            if row["used"] and row["instrument"] == "koos" and row.get("scale") == "pain" and row.get("value")
        }
        return used["mcid"], used["pass"]

    def _codes(self) -> dict[int, str]:
        surgeons = self.tables["Surgeon"]
        return dict(zip(surgeons["id"], surgeons["code"], strict=True)) if self.shows_codes else {}

    def _days_of_cases(self) -> tuple[int, int]:
        until = self.until or self.closed
        if self.since:
            return self.since, until
        day = date.fromordinal(until)
        return date(day.year - 1, day.month, min(day.day, 28)).toordinal(), until

    def _activity(self, period: pd.DataFrame) -> dict[str, Any]:
        ever = self.here[within(self.here["operated_on"], None, self.until)]
        years = ever["operated_on"].map(lambda day: str(date.fromordinal(int(day)).year)).value_counts()
        return {
            "repairs": len(period),
            "primary": int(period["revises_id"].isna().sum()),
            "revision": int(period["revises_id"].notna().sum()),
            "entered_late": int((period["entry"] > 0).sum()),
            "operations": period["op"].nunique(),
            "knees": period["knee_id"].nunique(),
            "patients": period["who"].nunique(),
            "by_year": {year: int(n) for year, n in years.items()},
        }

    def _split(self, code: str) -> dict[str, Any]:
        counts = self.operated[f"by_{code}"].value_counts()
        return {level: told(int(n), len(self.operated), self.fewest) for level, n in counts.items()}

    # --- survival -----------------------------------------------------------------------------

    def _survival(self) -> dict[str, Any]:
        return {
            "all": _group(self.rows),
            "entered_late": int((self.rows["entry"] > 0).sum()),
            "left_out": self.left_out,
            "by": holm({code: self._by(code, told) for code, told in self._told_as().items() if told}),
        }

    def _told_as(self) -> "dict[str, dict[str, str] | None]":
        """For each split, the level that each level is told as; a unit of one surgeon is told as it is."""
        if self.here["lead_surgeon_id"].nunique() < 2:
            return {code: {level: level for level in self.here[f"by_{code}"]} for code in ORDERED}
        return {code: mixed(self.followed, self.followed[f"by_{code}"]) for code in ORDERED}

    def _by(self, code: str, told: dict[str, str]) -> dict[str, Any]:
        column = f"by_{code}"
        split = self.rows.assign(**{column: self.rows[column].map(told)})
        found: dict[str, Any] = {"groups": {level: _group(rows) for level, rows in split.groupby(column)}}
        known = split[split[column] != "unknown"]
        order = [level for level in (*ORDERED[code], TOGETHER) if (known[column] == level).any()]
        if len(order) < 2 or not known["failed"].any():
            return found
        tested = log_rank(known, column, order)
        found["log_rank"] = tested["test"]
        if code != "ligament" and TOGETHER not in order and len(order) > 2:
            found["trend"] = trend(tested, [ORDERED[code].index(level) + 1 for level in order])
        failures = known[known["failed"]]
        # A Cox model is fitted where every group failed at least once, from five failures a coefficient on.
        enough = failures[column].nunique() == len(order) and len(failures) >= 5 * (len(order) - 1)
        if enough and self.rows["who"].duplicated().any():
            found["clustered"] = clustered_score(known, column, order)
        return found

    def _lost(self) -> dict[str, Any]:
        rows = self.rows
        published = json.loads((PUBLISHED / "figures.json").read_text(encoding="utf-8"))
        (claimed,) = [entry for entry in published if entry["code"] == "failure_ow_2021_2_3"]
        in_print = {
            name: float(claimed[key]) / 100
            for name, key in (("share", "percent"), ("lower", "lower_percent"), ("upper", "upper_percent"))
        }
        found: dict[str, Any] = {"lost": int(rows["lost"].sum()), "at": 730, "in_print": in_print}
        if len(rows) < FEWEST:
            return found
        forever = rows["day"].where(~rows["lost"], rows["day"].max())
        for name, day, failed in (
            ("as_followed", rows["day"], rows["failed"]),
            ("lost_failed", rows["day"], rows["failed"] | rows["lost"]),
            ("lost_never_failed", forever, rows["failed"]),
        ):
            found[name] = Curve(day, failed, rows["entry"], rows["who"]).at(730)
        return {**found, "tipping_ratio": tipping(rows, 730, 1 - in_print["share"])}


def _group(rows: pd.DataFrame) -> dict[str, Any]:
    curve = Curve(rows["day"], rows["failed"], rows["entry"], rows["who"])
    counts = {
        "repairs": len(rows),
        "failures": int(rows["failed"].sum()),
        "ended_otherwise": int((~rows["failed"] & (rows["outcome"] != "censored")).sum()),
    }
    standing = {year: curve.at(day) for year, day in LANDMARKS.items()}
    if len(rows) < FEWEST:
        return {
            **counts,
            "standing": {year: {"at_risk": point["at_risk"]} for year, point in standing.items()},
        }
    reverse = Curve(rows["day"], rows["outcome"] == "censored", rows["entry"] * 0, rows["repair"])
    before, possible = rows["entry"].sum(), rows["potential"].sum()
    return {
        **counts,
        "standing": standing,
        "median_follow_up": reverse.median(),
        "completeness": float((rows["day"].sum() - before) / (possible - before)),
        "curve": curve.whole(),
    }
