"""What a section of a briefing is made of."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.charts.figure import DataTable, Figure

Facts = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Section:
    """One section; every part may be empty."""

    code: str
    title: str
    words: tuple[str, ...] = ()
    facts: Facts = ()
    cautions: tuple[str, ...] = ()
    figures: tuple[Figure, ...] = ()
    tables: tuple[DataTable, ...] = ()
