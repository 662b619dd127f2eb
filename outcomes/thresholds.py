"""Published thresholds of scores, read from fixtures/published and checked: MCID, PASS and SDC.

A threshold comes with its operator, its people and its source, or not at all. It is read on unrounded
scores: printed cuts are rounded scores themselves, and a rounded score would cross them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Any, Literal, get_args

from outcomes.estimators.change import Operator
from registry.scoring import INSTRUMENTS

THRESHOLDS = Path(__file__).parents[1] / "fixtures" / "published" / "thresholds.json"

OperatorFrom = Literal["source", "our convention"]
Read = Literal["abstract", "secondary source", "from memory"]
OPERATORS = {">": "greater than", ">=": "at least", "<": "less than", "<=": "at most"}

_PRINTED = re.compile(r"\d+(\.\d+)?")
_REQUIRED = (
    "code", "instrument", "kind", "operator", "operator_from", "population", "time_point", "method", "source",
    "read",
)  # fmt: skip
_NUMBERS = ("value", "lowest", "highest")
_KNOWN = {*_REQUIRED, *_NUMBERS, "scale", "used", "n"}


class Kind(StrEnum):
    """What a threshold is of: a change that matters, a state that is accepted, a change beyond error."""

    MCID = "mcid"
    PASS = "pass"  # noqa: S105 - the acceptable state, no password
    SDC = "sdc"


NAMES = {
    Kind.MCID: "Least important change (MCID)",
    Kind.PASS: "Acceptable state (PASS)",
    Kind.SDC: "Error in one person (SDC)",
}


@dataclass(frozen=True, slots=True)
class Threshold:
    """One published threshold of one scale.

    `value` is on the scale's own units; None where only the range `lowest` to `highest` over an instrument's
    scales was printed (`scale` is then empty). `used` says whether it is drawn and counted by: one of other
    people is only told. `operator_from` says who chose the operator, `read` how much of the source was read.
    """

    code: str
    instrument: str
    scale: str
    kind: Kind
    value: float | None
    lowest: float | None
    highest: float | None
    operator: Operator
    operator_from: OperatorFrom
    used: bool
    population: str
    n: int | None
    time_point: str
    method: str
    source: str
    read: Read

    @property
    def limit(self) -> str:
        """Operator and value: "greater than 80.6"; a range by its ends."""
        if self.value is None:
            return f"{self.lowest:g} to {self.highest:g}, over the scales"
        return f"{OPERATORS[self.operator]} {round(self.value, 2):g}"

    @property
    def judged(self) -> str:
        """What judges it: people, time point, method, who chose the operator, source and how it was read."""
        people = f"{self.population}, n = {self.n:,}" if self.n else self.population
        chosen = "operator as published" if self.operator_from == "source" else "operator our convention"
        read = "" if self.read == "abstract" else f"; {self.read}"
        return f"{people}; time point: {self.time_point}; {self.method}; {chosen}; {self.source}{read}"


@cache
def thresholds(path: Path = THRESHOLDS) -> tuple[Threshold, ...]:
    """Read the thresholds.

    Parameters
    ----------
    path : Path
        A JSON list of entries; numbers in it but `n` are text, as printed.

    Raises
    ------
    ValueError
        Naming entry, field, rule and mend: an entry without source, operator or population; a scale that
        no instrument has; a value outside its scale; two used thresholds of one kind and scale.
    """
    rows = tuple(
        _threshold(row, entry) for row, entry in enumerate(json.loads(path.read_text(encoding="utf-8")))
    )
    _check_once("code is used twice; give each threshold its own", [row.code for row in rows])
    places = [f"{row.instrument} {row.scale} {row.kind}" for row in rows if row.used]
    _check_once("used is true twice; draw and count by one threshold alone", places)
    return rows


def used(kind: Kind, instrument: str, scale: str) -> Threshold | None:
    """The threshold that a scale is drawn and counted by, if there is one."""
    return next((row for row in of_scale(instrument, scale) if row.used and row.kind is kind), None)


def of_scale(instrument: str, scale: str) -> list[Threshold]:
    """Every threshold of a scale, those of the whole instrument too, the used ones first."""
    rows = [row for row in thresholds() if row.instrument == instrument and row.scale in ("", scale)]
    return sorted(rows, key=lambda row: not row.used)


def told_for(
    instrument: str, scales: Iterable[str], kinds: Collection[Kind] = tuple(Kind), *, of_others: bool = True
) -> list[tuple[str, str]]:
    """What a page says of thresholds, label and text: values that share people and source in one line."""
    known = INSTRUMENTS[instrument]
    names = {scale.code: scale.name if len(known.scales) > 1 else "" for scale in known.scales}
    rows = dict.fromkeys(row for scale in scales for row in of_scale(instrument, scale) if row.kind in kinds)
    said: dict[tuple[str, str], list[str]] = {}
    for row in sorted(rows, key=lambda row: (not row.used, list(Kind).index(row.kind))):
        other = row.value is not None and not row.used
        if of_others or not other:
            label = f"{NAMES[row.kind]}, other people, not used" if other else NAMES[row.kind]
            limit = " ".join(filter(None, (names.get(row.scale, ""), row.limit)))
            said.setdefault((label, row.judged), []).append(limit)
    return [(label, f"{'; '.join(limits)} ({judged})") for (label, judged), limits in said.items()]


def error_in_one_person(instrument: str, scale: str) -> Threshold | None:
    """The measurement error of a scale, or where only that is printed, the range over its instrument's."""
    ranges = (row for row in of_scale(instrument, scale) if row.kind is Kind.SDC and row.value is None)
    return used(Kind.SDC, instrument, scale) or next(ranges, None)


def not_real_for_one(instrument: str, scales: Iterable[str]) -> str:
    """The caution that changes of the MCID lie within measurement error; empty where none does."""
    within = [found for scale in scales if (found := _within_error(instrument, scale))]
    if not within:
        return ""
    mcids = sorted(mcid for mcid, _ in within)
    errors = ", ".join(dict.fromkeys(error for _, error in within))
    changes = (
        f"a change of {mcids[0]:g} matters to groups (MCID) but lies"
        if len(mcids) == 1
        else f"changes of {mcids[0]:g} to {mcids[-1]:g} matter to groups (MCID) but lie"
    )
    return (
        f"{INSTRUMENTS[instrument].name}: {changes} within what measurement error alone does in one person "
        f"({errors}): do not call it real for one patient."
    )


def _within_error(instrument: str, scale: str) -> tuple[float, str] | None:
    """A scale's MCID and its measurement error in words, where the first is the smaller."""
    mcid, error = used(Kind.MCID, instrument, scale), error_in_one_person(instrument, scale)
    if mcid is None or mcid.value is None or error is None:
        return None
    if error.value is None:
        return (mcid.value, error.limit) if error.lowest is not None and mcid.value < error.lowest else None
    return (mcid.value, f"{error.value:g}") if mcid.value < error.value else None


# --- reading ----------------------------------------------------------------------------------


def _threshold(row: int, entry: Mapping[str, Any]) -> Threshold:
    where = f"Entry {entry.get('code') or f'number {row + 1}'}"
    _check_fields(where, entry)
    numbers = {name: _number(where, name, entry) for name in _NUMBERS}
    _check_range(where, entry, numbers)
    fields = {name: entry[name] for name in _REQUIRED}
    kind = Kind(entry["kind"])
    return Threshold(
        **{**fields, **numbers, "kind": kind},
        scale=entry.get("scale", ""),
        used=entry["used"],
        n=entry.get("n"),
    )


def _check_fields(where: str, entry: Mapping[str, Any]) -> None:
    for name in _REQUIRED:
        if not str(entry.get(name) or "").strip():
            raise ValueError(
                f"{where}: {name} is missing; a threshold is used with it or not at all, so add it."
            )
    unknown = sorted(set(entry) - _KNOWN)
    if unknown:
        raise ValueError(
            f"{where}: {unknown[0]} is no field of a threshold; take it out or spell it as the others."
        )
    choices: dict[str, Iterable[object]] = {
        "instrument": INSTRUMENTS,
        "kind": tuple(Kind),
        "operator": OPERATORS,
        "operator_from": get_args(OperatorFrom),
        "read": get_args(Read),
        "used": (True, False),
    }
    for name, allowed in choices.items():
        if entry.get(name) not in allowed:
            raise ValueError(
                f"{where}: {name} is {entry.get(name)}; choose one of {', '.join(map(str, allowed))}."
            )


def _number(where: str, name: str, entry: Mapping[str, Any]) -> float | None:
    printed = entry.get(name)
    if printed is None:
        return None
    if not (isinstance(printed, str) and _PRINTED.fullmatch(printed)):
        raise ValueError(f'{where}: {name} is {printed}; give it as text, as printed, such as "80.6".')
    return float(printed)


def _check_range(where: str, entry: Mapping[str, Any], numbers: Mapping[str, float | None]) -> None:
    instrument = INSTRUMENTS[entry["instrument"]]
    scales = {scale.code: scale for scale in instrument.scales}
    scale = entry.get("scale", "")
    if numbers["value"] is None:
        if scale or numbers["lowest"] is None or numbers["highest"] is None or entry["used"]:
            raise ValueError(
                f"{where}: value is missing; give it, or for the scales of an instrument together lowest and "
                "highest, which are told and not used."
            )
        return
    if scale not in scales:
        raise ValueError(
            f"{where}: scale is '{scale}'; {instrument.name} has {', '.join(scales)}: choose one."
        )
    if not scales[scale].lowest < numbers["value"] < scales[scale].highest:
        raise ValueError(
            f"{where}: value is {entry['value']}; it must lie within its scale, {scales[scale].lowest:g} to "
            f"{scales[scale].highest:g}, so correct it."
        )


def _check_once(rule: str, names: list[str]) -> None:
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise ValueError(f"Entry {twice[0]}: {rule}.")
