"""The manifest: what was released of whom and how, as counts and hashes, for programs to read."""

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from outcomes.release.columns import COLUMNS, QUASI_IDENTIFIERS
from outcomes.release.frozen import TABLES, Frozen
from outcomes.release.package.archive import Sum
from outcomes.release.package.words import NOT_PROMISED, one_line

# 1 had the table of repairs alone.
FORMAT_VERSION = 2
# Filters that would name a unit or a day; the sentence of the cohort counts the one and may tell the other.
_KEPT_BACK = ("unit", "since", "until")


def manifest(frozen: Frozen, sums: Mapping[str, Sum]) -> str:
    """The manifest of a release as JSON, with the SHA-256 of each other member."""
    asked, hidden = frozen.asked, frozen.hidden
    said: dict[str, Any] = {
        "format": FORMAT_VERSION,
        "software": frozen.software,
        **{name: one_line(getattr(asked, name)) for name in ("project", "purpose", "approval", "recipient")},
        "month": frozen.month,
        "record_version": frozen.record_version,
        "cohort": {
            "name": one_line(asked.cohort_name),
            "version": asked.cohort_version,
            "sentence": frozen.cohort_sentence,
            "filters": {name: code for name, code in sorted(asked.cohort.items()) if name not in _KEPT_BACK},
            "units": len(asked.units),
        },
        "definition": {
            "code": asked.definition,
            "name": frozen.definition_name,
            "sentence": frozen.definition_sentence,
            "cautions": frozen.definition_cautions,
        },
        "attributes": {
            "asked": asked.attributes,
            "year_years": asked.year_years,
            "quasi_identifiers": QUASI_IDENTIFIERS,
        },
        "flow": [asdict(step) for step in frozen.flow],
        "rows": {table: len(frozen.tables[table]) for table in TABLES},
        "hidden": asdict(hidden),
        "survival": [asdict(landmark) for landmark in frozen.survival],
        "effect": [asdict(year) for year in frozen.effect],
        "columns": {table: [column.name for column in COLUMNS[table]] for table in TABLES},
        "not_promised": NOT_PROMISED,
        "sha256": {name: taken.sha256 for name, taken in sums.items()},
    }
    return json.dumps(said, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
