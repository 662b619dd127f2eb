"""The format of counts to be pooled: repairs by level, entry, day and event, without any row of a patient.

Pure. One JSON document a hospital; whoever has several adds them up row by row. The document says in its own
`about` what each part means.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any, Self

import pandas as pd

FORMAT, VERSION = "rimward pooled counts", 1
FAILED, COMPETING, CENSORED = "failed", "competing", "censored"
EVENTS = (FAILED, COMPETING, CENSORED)
# One a count: as in ROW.
Rows = tuple[tuple[str, int, int, str, int], ...]
ROW = ("level", "entry_band", "day_band", "event", "n")
USUAL_BAND_DAYS, MOST_BAND_DAYS = 7, 91
# Longer than anybody lives after an operation.
_MOST_DAYS = 45_000

ABOUT = (
    "Counts of meniscal repairs for a joint Kaplan-Meier estimate and log-rank test of several hospitals.",
    "rows: [level of the stratum, entry_band, day_band, event, n]; n repairs share the four before it.",
    "Days are whole days from the operation in bands of band_days: band b holds days b x band_days to "
    "(b + 1) x band_days - 1. An end within a band counts at the band's last day, an entry at its first; "
    "entry_band 0 is followed from the operation.",
    "event: failed by the definition; competing, another end after which it could not fail so (death, knee "
    "replacement, meniscus removed elsewhere); censored, still standing when last known well. In the "
    "Kaplan-Meier estimate competing counts as censored.",
    "Levels with fewer repairs or patients than smallest_level are left out; left_out names them and counts "
    "their repairs, null where those are fewer than that too.",
)
WRONG = "{name}: {value!r} {rule}. Ask for the file again."


class PooledFormatError(ValueError):
    """A file that is no document of this format, or breaks one of its rules."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Levels too small to be told of, and their repairs; None where those are too few themselves."""

    levels: tuple[str, ...] = ()
    repairs: int | None = 0


@dataclass(frozen=True, slots=True)
class PooledCounts:
    """One document; `rows` are as in ROW, `levels` code to label in reading order, `month` as 2026-11."""

    definition: str
    definition_sentence: str
    stratum: str
    stratum_title: str
    levels: dict[str, str]
    band_days: int
    smallest_level: int
    cohort_sentence: str
    month: str
    left_out: LeftOut
    rows: Rows

    @property
    def n(self) -> int:
        """Repairs in it."""
        return sum(row[-1] for row in self.rows)

    def as_text(self) -> str:
        """The document; the same counts give the same text."""
        said = {"format": FORMAT, "version": VERSION, "about": ABOUT, **asdict(self)}
        rows = ",\n".join(f"  {json.dumps(row, ensure_ascii=False)}" for row in said.pop("rows"))
        head = json.dumps(said, indent=1, ensure_ascii=False).removesuffix("\n}")
        return f'{head},\n "rows": [\n{rows}\n ]\n}}\n'

    def table(self) -> pd.DataFrame:
        """One row a count: level, entry and day in days by the format's convention, event, n."""
        table = pd.DataFrame(list(self.rows), columns=list(ROW))
        days = table.assign(
            entry=table["entry_band"] * self.band_days,
            day=(table["day_band"] + 1) * self.band_days - 1,
        )
        return days[["level", "entry", "day", "event", "n"]]

    @classmethod
    def read(cls, text: str) -> Self:
        """Read a document, every rule checked; PooledFormatError names what is wrong with it."""
        try:
            said = json.loads(text)
        except ValueError as problem:
            raise PooledFormatError(f"This is no JSON: {problem}. Ask for the file again.") from problem
        _check_head(said)
        _check_fields(said)
        rows = tuple(_row(number, row, said["levels"]) for number, row in enumerate(said["rows"], 1))
        if len({row[:-1] for row in rows}) < len(rows):
            raise PooledFormatError("rows: two of them count the same repairs. Ask for the file again.")
        given = {each.name: said[each.name] for each in fields(cls)}
        left_out = LeftOut(tuple(said["left_out"]["levels"]), said["left_out"]["repairs"])
        return cls(**{**given, "left_out": left_out, "rows": rows})


def banded(table: pd.DataFrame, band_days: int) -> Rows:
    """Rows of a document from counts by level, entry, day, event and n, in days; in a set order."""
    bands = table.assign(entry_band=table["entry"] // band_days, day_band=table["day"] // band_days)
    keys = list(ROW[:-1])
    summed = bands.groupby(keys, as_index=False, sort=True).agg(n=("n", "sum"))
    return tuple(
        (str(level), int(entry), int(day), str(event), int(n))
        for level, entry, day, event, n in summed[list(ROW)].itertuples(index=False)
    )


def _check_head(said: Any) -> None:
    if not isinstance(said, dict) or said.get("format") != FORMAT:
        raise PooledFormatError(f"This is no file of '{FORMAT}'. Give one made by: manage.py counts pooled.")
    if said.get("version") != VERSION:
        raise PooledFormatError(
            f"version: {said.get('version')!r} is not known here, {VERSION} is. Update whichever is older."
        )


def _check_fields(said: Mapping[str, Any]) -> None:
    if missing := [each.name for each in fields(PooledCounts) if each.name not in said]:
        raise PooledFormatError(f"{', '.join(missing)}: missing. Ask for the file again.")
    for name in ("definition", "definition_sentence", "stratum", "stratum_title", "cohort_sentence", "month"):
        _rule(name, said[name], isinstance(said[name], str) and said[name], "is no text")
    labels = said["levels"]
    is_named = isinstance(labels, dict) and all(isinstance(label, str) for label in labels.values())
    _rule("levels", labels, is_named, "does not name each level")
    _rule("band_days", said["band_days"], _is_count(said["band_days"], 1), "is no number of days from 1 on")
    _rule("smallest_level", said["smallest_level"], _is_count(said["smallest_level"], 1), "is no count")
    _rule("rows", said["rows"], isinstance(said["rows"], list), "is no list of rows")
    left = said["left_out"]
    is_told = isinstance(left, dict) and isinstance(left.get("levels"), list) and "repairs" in left
    _rule("left_out", left, is_told, "does not say which levels and how many repairs")


def _row(number: int, row: Any, levels: Mapping[str, str]) -> tuple[str, int, int, str, int]:
    name = f"row {number}"
    _rule(name, row, isinstance(row, list) and len(row) == len(ROW), f"is not {', '.join(ROW)}")
    level, entry, day, event, n = row
    _rule(f"{name}, level", level, isinstance(level, str) and level in levels, "is none of the levels")
    _rule(f"{name}, event", event, event in EVENTS, f"is not one of {', '.join(EVENTS)}")
    _rule(f"{name}, entry_band", entry, _is_count(entry, 0), "is no band from 0 on")
    in_reach = _is_count(day, 0) and day <= _MOST_DAYS and day >= entry
    _rule(f"{name}, day_band", day, in_reach, "is no band from its entry on")
    _rule(f"{name}, n", n, _is_count(n, 1), "is no count from 1 on")
    return level, entry, day, event, n


def _is_count(value: Any, least: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= least


def _rule(name: str, value: Any, holds: Any, rule: str) -> None:
    if not holds:
        raise PooledFormatError(WRONG.format(name=name, value=value, rule=rule))
