"""A release as it was frozen, in the folder of its work: what will be packed, and from what it was read."""

import json
from dataclasses import asdict, dataclass, fields
from typing import Any
from uuid import UUID

import pandas as pd

from outcomes.files import write_whole
from outcomes.flow_step import FlowStep
from outcomes.release import store
from outcomes.release.asked import Asked
from outcomes.release.frozen import TABLES, Effect, Frozen, Hidden, Landmark, Level

_SAID = "frozen.json"


@dataclass(frozen=True, slots=True)
class Kept:
    """A frozen release, when the record was read (ISO 8601, UTC), and the fingerprint of its key."""

    frozen: Frozen
    snapshot_at: str
    key: str


def keep(job: UUID, kept: Kept) -> None:
    """Write it down; the facts last, so that a folder with them is whole."""
    folder = store.work_of(job)
    for name in TABLES:
        kept.frozen.tables[name].to_parquet(folder / f"{name}.parquet", index=False)
    facts = {each.name: getattr(kept.frozen, each.name) for each in fields(Frozen) if each.name != "tables"}
    said = {"snapshot_at": kept.snapshot_at, "key": kept.key, "frozen": facts}
    write_whole(folder / _SAID, json.dumps(said, default=asdict).encode())


def is_kept(job: UUID) -> bool:
    """Whether a release was frozen whole and still is."""
    return (store.work_of(job) / _SAID).exists()


def load(job: UUID) -> Kept:
    """Read what `keep` wrote."""
    folder = store.work_of(job)
    said = json.loads((folder / _SAID).read_text())
    facts = said["frozen"]
    tables = {name: pd.read_parquet(folder / f"{name}.parquet") for name in TABLES}
    return Kept(Frozen(**{**facts, **_built(facts)}, tables=tables), said["snapshot_at"], said["key"])


def _built(facts: dict[str, Any]) -> dict[str, Any]:
    hidden = facts["hidden"]
    pairs = tuple((code, rows) for code, rows in hidden["suppressed_by"])
    levels = tuple(Level(**level) for level in hidden["levels"])
    return {
        "asked": Asked.from_json(facts["asked"]),
        "definition_cautions": tuple(facts["definition_cautions"]),
        "flow": tuple(FlowStep(**step) for step in facts["flow"]),
        "hidden": Hidden(**{**hidden, "levels": levels, "suppressed_by": pairs}),
        "survival": tuple(Landmark(**each) for each in facts["survival"]),
        "effect": tuple(Effect(**each) for each in facts["effect"]),
    }
