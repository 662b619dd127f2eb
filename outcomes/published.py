"""Figures from the literature, read from fixtures/published and checked, to set beside a unit's own.

A figure is a fact with its source; it comes with its population, its definition and its years, or not at all.
Case mix differs between any two reports: a band shows where others stand, it is no test.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal, get_args

FIGURES = Path(__file__).parents[1] / "fixtures" / "published" / "figures.json"

Measure = Literal["failure", "second_look", "mri_healing", "ramp_prevalence"]
RangeKind = Literal["95 % confidence interval", "range of subgroups", "range of studies"]

_PRINTED = re.compile(r"-?\d+(\.\d+)?")
_REQUIRED = ("code", "measure", "what", "population", "definition", "follow_up", "citation", "read")
_OPTIONAL = (
    "percent", "lower_percent", "upper_percent", "range_kind", "events", "n", "n_of",
    "from_years", "to_years", "published", "identifier",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class PublishedFigure:
    """One published share with what is needed to read it; shares lie between 0 and 1.

    `share` is that of the counts where they are known, else as printed; None where only a range was printed.
    `lower` and `upper` are of the kind that `range_kind` names, `n` counts what `n_of` names. `follow_up`
    says in words when it was read, `from_years` and `to_years` in numbers where there are any. `read` says
    how much of the source was read.
    """

    code: str
    measure: Measure
    what: str
    share: float | None
    lower: float | None
    upper: float | None
    range_kind: RangeKind | None
    events: int | None
    n: int | None
    n_of: str | None
    population: str
    definition: str
    follow_up: str
    from_years: float | None
    to_years: float | None
    published: int
    citation: str
    identifier: str | None
    read: str


def published(path: Path = FIGURES) -> tuple[PublishedFigure, ...]:
    """Read the literature figures.

    Parameters
    ----------
    path : Path
        A JSON list of entries; per cents in it are text, as printed.

    Raises
    ------
    ValueError
        Naming entry, field, rule and mend: an entry without citation, population, definition or years; a
        share outside 0 and 1; counts that don't give the printed per cent; a code used twice.
    """
    figures = tuple(
        _figure(row, entry) for row, entry in enumerate(json.loads(path.read_text(encoding="utf-8")))
    )
    codes = [figure.code for figure in figures]
    twice = [code for code in codes if codes.count(code) > 1]
    if twice:
        raise ValueError(f"Entry {twice[0]}: code is used twice; give each figure its own.")
    return figures


def _figure(row: int, entry: Mapping[str, Any]) -> PublishedFigure:
    where = f"Entry {entry.get('code') or f'number {row + 1}'}"
    _check_fields(where, entry)
    printed, lower, upper = (
        _share(where, name, entry) for name in ("percent", "lower_percent", "upper_percent")
    )
    _check_range(where, entry, printed, lower, upper)
    fields: dict[str, Any] = {
        name: entry.get(name) for name in (*_REQUIRED, *_OPTIONAL) if not name.endswith("percent")
    }
    counted = _counted(where, entry)
    return PublishedFigure(share=printed if counted is None else counted, lower=lower, upper=upper, **fields)


def _check_fields(where: str, entry: Mapping[str, Any]) -> None:
    for name in _REQUIRED:
        if not str(entry.get(name) or "").strip():
            raise ValueError(
                f"{where}: {name} is missing; a figure is shown with it or not at all, so add it."
            )
    unknown = sorted(set(entry) - {*_REQUIRED, *_OPTIONAL})
    if unknown:
        raise ValueError(
            f"{where}: {unknown[0]} is no field of a figure; take it out or spell it as the others."
        )
    for name, choices in (("measure", get_args(Measure)), ("range_kind", (None, *get_args(RangeKind)))):
        if entry.get(name) not in choices:
            raise ValueError(
                f"{where}: {name} is {entry[name]}; choose one of {', '.join(filter(None, choices))}."
            )
    if not isinstance(entry.get("published"), int):
        raise ValueError(f"{where}: published is missing; give the year of publication as a number.")


def _counted(where: str, entry: Mapping[str, Any]) -> float | None:
    """Give the share that the counts come to, as far as printed the same; None without counts."""
    events, n = entry.get("events"), entry.get("n")
    if events is not None and not (n and 0 <= events <= n):
        raise ValueError(
            f"{where}: events is {events} of n {n}; it must lie between 0 and n, so count both again."
        )
    if n is not None and not entry.get("n_of"):
        raise ValueError(f"{where}: n_of is missing; say what n counts: repairs, menisci, knees or patients.")
    if events is None or n is None:
        return None
    printed = entry.get("percent")
    if printed is not None and not _rounds_to(100 * Decimal(events) / Decimal(n), Decimal(printed)):
        raise ValueError(
            f"{where}: {events} of {n} are {100 * events / n:.2f} %, not the printed {printed} %; "
            "correct one of them."
        )
    return float(events / n)


def _rounds_to(exact: Decimal, printed: Decimal) -> bool:
    """Say whether `exact` is `printed` to the digits printed; a half may have been rounded either way."""
    return abs(exact - printed) <= Decimal((0, (5,), int(printed.as_tuple().exponent) - 1))


def _share(where: str, name: str, entry: Mapping[str, Any]) -> float | None:
    percent = entry.get(name)
    if percent is None:
        return None
    if not (isinstance(percent, str) and _PRINTED.fullmatch(percent)):
        raise ValueError(f'{where}: {name} is {percent}; give it as text, as printed, such as "23.1".')
    share = Decimal(percent) / 100
    if not 0 <= share <= 1:
        raise ValueError(f"{where}: {name} is {percent}; a share lies between 0 and 100 %, so correct it.")
    return float(share)


def _check_range(
    where: str, entry: Mapping[str, Any], share: float | None, lower: float | None, upper: float | None
) -> None:
    if (lower is None) != (upper is None) or (lower is None) != (entry.get("range_kind") is None):
        raise ValueError(
            f"{where}: range_kind, lower_percent and upper_percent belong together; give all or none."
        )
    if lower is not None and upper is not None and not lower <= (lower if share is None else share) <= upper:
        raise ValueError(f"{where}: percent does not lie within its range; correct one of them.")
    if share is None and lower is None and entry.get("events") is None:
        raise ValueError(f"{where}: percent is missing; give it, a range, or events and n.")
