"""How well surgeons agree on a tear in print, read from fixtures/published and checked.

An agreement comes with its cases, its readers and its source, or not at all.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from registry.models import TearReading

AGREEMENTS = Path(__file__).parents[1] / "fixtures" / "published" / "agreement.json"

_PRINTED = re.compile(r"-?\d+(\.\d+)?")
_REQUIRED = (
    "code",
    "field",
    "agreement_percent",
    "kappa",
    "cases",
    "readers",
    "published",
    "citation",
    "read",
)
_COUNTED = ("cases", "readers", "published")
_KNOWN = {*_REQUIRED, "differs"}


@dataclass(frozen=True, slots=True)
class PublishedAgreement:
    """Agreement of `readers` surgeons on `cases` tears for one field of a second reading.

    `agreement` lies between 0 and 1, `kappa` between -1 and 1. `differs` says where the published field is
    not quite ours, `read` how much of the source was read.
    """

    code: str
    field: str
    agreement: float
    kappa: float
    cases: int
    readers: int
    differs: str
    published: int
    citation: str
    read: str


@cache
def published_agreement(path: Path = AGREEMENTS) -> Mapping[str, PublishedAgreement]:
    """Read the published agreements, by field of a second reading.

    Parameters
    ----------
    path : Path
        A JSON list of entries; per cents and kappas in it are text, as printed.

    Raises
    ------
    ValueError
        Naming entry, field, rule and mend: an entry without citation, cases or readers; a number out of its
        range; a field that no reading has, or that has two entries.
    """
    found: dict[str, PublishedAgreement] = {}
    for row, entry in enumerate(json.loads(path.read_text(encoding="utf-8"))):
        each = _agreement(f"Entry {entry.get('code') or f'number {row + 1}'}", entry)
        if each.field in found:
            raise ValueError(f"Entry {each.code}: field {each.field} has an entry already; keep one of them.")
        found[each.field] = each
    return found


def _agreement(where: str, entry: Mapping[str, Any]) -> PublishedAgreement:
    _check_fields(where, entry)
    return PublishedAgreement(
        code=entry["code"],
        field=entry["field"],
        agreement=_number(where, "agreement_percent", entry, 0, 100) / 100,
        kappa=_number(where, "kappa", entry, -1, 1),
        cases=entry["cases"],
        readers=entry["readers"],
        differs=entry.get("differs", ""),
        published=entry["published"],
        citation=entry["citation"],
        read=entry["read"],
    )


def _check_fields(where: str, entry: Mapping[str, Any]) -> None:
    for name in _REQUIRED:
        if not str(entry.get(name) or "").strip():
            raise ValueError(f"{where}: {name} is missing; it is shown with it or not at all, so add it.")
    unknown = sorted(set(entry) - _KNOWN)
    if unknown:
        raise ValueError(f"{where}: {unknown[0]} is no field of an agreement; take it out.")
    for name in _COUNTED:
        if not isinstance(entry[name], int) or entry[name] < 1:
            raise ValueError(f"{where}: {name} is {entry[name]}; it must be a whole number above 0.")
    if entry["field"] not in TearReading.READ:
        raise ValueError(
            f"{where}: field is {entry['field']}; choose one of a second reading: "
            f"{', '.join(TearReading.READ)}."
        )


def _number(where: str, name: str, entry: Mapping[str, Any], lowest: float, highest: float) -> float:
    printed = entry[name]
    if not (isinstance(printed, str) and _PRINTED.fullmatch(printed)):
        raise ValueError(f'{where}: {name} is {printed}; give it as text, as printed, such as "0.72".')
    if not lowest <= float(printed) <= highest:
        raise ValueError(f"{where}: {name} is {printed}; it lies between {lowest} and {highest}, correct it.")
    return float(printed)
