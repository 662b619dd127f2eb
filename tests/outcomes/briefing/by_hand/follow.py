"""What became of each repair under a definition of failure."""

from typing import Any

import numpy as np
import pandas as pd

from tests.outcomes.briefing.by_hand.tables import Tables

FAILING = ("re_repair", "partial_removal", "total_removal", "transplant", "root_refixation")
REMOVING = ("total_removal", "transplant")
REPLACING = ("partial_replacement", "total_replacement")


class Story:
    """All events of the record by knee and by tear, as plain lists."""

    def __init__(self, tables: Tables) -> None:
        self.tables = tables
        self.meniscus = tables["Tear"].set_index("id")["meniscus"].to_dict()
        looks = self._told("SecondLookFinding", "SecondLook", "look_id", "looked_on")
        again = self._told("ReoperationOnTear", "Reoperation", "reoperation_id", "operated_on")
        self.failed_looks = self._failed_looks(looks)
        self.acted = [(row, True) for row in looks] + [(row, False) for row in again]
        self.imaged = self._told("ImagingFinding", "Imaging", "imaging_id", "imaged_on")
        self.operations = self._by_knee(("IndexProcedure", "operated_on"), ("Reoperation", "operated_on"))
        self.returned = self._returned()
        self.by_tear = self._grouped(self.acted, lambda each: each[0]["tear_id"])
        self.acts_by_knee = self._grouped(self.acted, lambda each: each[0]["knee_id"])

    def _told(self, finding: str, event: str, key: str, day: str) -> list[dict[str, Any]]:
        events = self.tables[event][["id", "knee_id", day]].rename(columns={"id": key, day: "day"})
        return self.tables[finding].merge(events, on=key).to_dict("records")

    def _failed_looks(self, looks: list[dict[str, Any]]) -> list[tuple[int, int]]:
        knees = self.tables["Knee"].set_index("id")["patient_id"]
        homes = self.tables["Patient"].set_index("id")["unit_id"]
        limits = self.tables["Unit"].set_index("id")["failed_cleft_from_percent"]
        return [
            (row["tear_id"], row["day"])
            for row in looks
            if not pd.isna(row["healed_thickness_percent"])
            and 100 - row["healed_thickness_percent"] >= limits[homes[knees[row["knee_id"]]]]
        ]

    def _returned(self) -> list[tuple[int, int]]:
        tears = self.tables["Tear"]
        days = self.tables["IndexProcedure"].set_index("id")["operated_on"]
        again = tears[
            tears["revises_id"].notna() & tears["treatment"].isin(["repaired", "part_repaired", "removed"])
        ]
        return [(int(row.revises_id), int(days[row.procedure_id])) for row in again.itertuples()]

    def _by_knee(self, *sources: tuple[str, str]) -> dict[int, list[int]]:
        found: dict[int, list[int]] = {}
        for table, day in sources:
            rows = self.tables[table]
            for knee, when in zip(rows["knee_id"], rows[day], strict=True):
                found.setdefault(int(knee), []).append(int(when))
        return found

    @staticmethod
    def _grouped(rows: list[Any], key: Any) -> dict[Any, list[Any]]:
        found: dict[Any, list[Any]] = {}
        for row in rows:
            found.setdefault(key(row), []).append(row)
        return found

    def settled(self, knee: int, day: int) -> int:
        """Days since the latest operation on the knee."""
        return min((day - on for on in self.operations[knee] if on <= day), default=10**9)

    def failures(self, repairs: pd.DataFrame, definition: str) -> dict[int, list[int]]:
        """Days on which each tear failed."""
        found: dict[int, list[int]] = {}
        for row, at_look in self.acted:
            if row["action"] in FAILING and (at_look or row["site"] == "same"):
                found.setdefault(row["tear_id"], []).append(int(row["day"]))
        events = list(self.returned)
        if definition == "any":
            events += self.failed_looks + self._imaging_failed(repairs) + self._of_the_knee(repairs)
        for tear, day in events:
            found.setdefault(tear, []).append(int(day))
        return found

    def _imaging_failed(self, repairs: pd.DataFrame) -> list[tuple[int, int]]:
        operated = repairs.set_index("tear_id")["operated_on"].to_dict()
        rows = (row for row in self.imaged if row["healed"] == "failed" and row["tear_id"] in operated)
        return [(row["tear_id"], row["day"]) for row in rows if row["day"] - operated[row["tear_id"]] >= 183]

    def _of_the_knee(self, repairs: pd.DataFrame) -> list[tuple[int, int]]:
        """Visits with signs and poor Lysholm forms, told of each tear operated on before."""
        visits, scores = self.tables["Visit"], self.tables["ScoreResponse"]
        signs = (
            visits["effusion"].isin(["slight", "marked"])
            | (visits["joint_line_tenderness"] == True)  # noqa: E712 - empty where not recorded
            | (visits["mcmurray"] == True)  # noqa: E712
        )
        events = [
            (int(row.knee_id), int(row.seen_on))
            for row in visits[signs].itertuples()
            if self.settled(int(row.knee_id), int(row.seen_on)) >= 183
        ]
        for row in scores[scores["instrument"] == "lysholm"].itertuples():
            total = (row.scale_values or {}).get("total")
            if (
                total is not None
                and total < 65
                and self.settled(int(row.knee_id), int(row.answered_on)) >= 365
            ):
                events.append((int(row.knee_id), int(row.answered_on)))
        by_knee = self._grouped(events, lambda each: each[0])
        return [
            (row.tear_id, day)
            for row in repairs.itertuples()
            for _, day in by_knee.get(row.knee_id, [])
            if day >= row.operated_on
        ]

    def sightings(self, definition: str) -> dict[int, list[int]]:
        """Days on which each knee was known well."""
        sources = [
            ("Visit", "seen_on"),
            ("SecondLook", "looked_on"),
            ("Reoperation", "operated_on"),
            ("IndexProcedure", "operated_on"),
        ]
        if definition == "any":
            return self._by_knee(*sources)
        found = self._by_knee(*sources, ("Contact", "contacted_on"))
        for table, column in (("ScoreResponse", "reoperated_since"), ("PatientReport", "operated_again")):
            rows = self.tables[table]
            said = rows[rows[column] == "no"]
            for knee, day in zip(said["knee_id"], said["answered_on"], strict=True):
                found.setdefault(int(knee), []).append(int(day))
        return found


def outcomes(tables: Tables, repairs: pd.DataFrame, definition: str, closed: int) -> pd.DataFrame:
    """The repairs with day, outcome, potential days and whether lost before two years."""
    story = Story(tables)
    failed, seen = story.failures(repairs, definition), story.sightings(definition)
    replaced = tables["Reoperation"][tables["Reoperation"]["other_surgery"].isin(REPLACING)]
    replacements = Story._grouped(
        list(zip(replaced["knee_id"], replaced["operated_on"], strict=True)), lambda each: each[0]
    )
    ends = [_end(row, story, failed, replacements, seen) for row in repairs.to_dict("records")]
    rows = repairs.assign(day=[day for day, _ in ends], outcome=[what for _, what in ends])
    to_close = closed - rows["operated_on"].astype(int)
    censored = rows["outcome"] == "censored"
    return rows.assign(
        failed=rows["outcome"] == "failed",
        potential=np.where(censored, to_close, rows["day"]),
        lost=censored & (rows["day"] < 730) & (to_close >= 730),
    )


def _end(row: dict[str, Any], story: Story, failed: Any, replacements: Any, seen: Any) -> tuple[int, str]:
    start, knee, tear = int(row["operated_on"]), row["knee_id"], row["tear_id"]
    removed = [
        int(act["day"])
        for act, _ in story.acts_by_knee.get(knee, [])
        if act["action"] in REMOVING
        and story.meniscus[act["tear_id"]] == row["meniscus"]
        and act["day"] >= start
    ]
    ends = [(day, 0, "failed") for day in failed.get(tear, [])]
    ends += [(int(day), 1, "replaced") for _, day in replacements.get(knee, []) if day >= start]
    ends += [(day, 2, "removed_elsewhere") for day in removed]
    ends += [] if pd.isna(row["died_on"]) else [(int(row["died_on"]), 3, "died")]
    if ends:
        day, _, what = min(ends)
        return day - start, what
    return max([start, *seen.get(knee, [])]) - start, "censored"
