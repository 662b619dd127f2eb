"""The tables of the disclosure report."""

from dataclasses import dataclass

from outcomes import wording
from outcomes.release.columns import COLUMNS
from outcomes.release.frozen import TABLES, Effect, Frozen, Hidden, Landmark, Level
from outcomes.release.package.facts import Facts
from outcomes.release.package.words import ROWS_OF, share

Row = tuple[object, ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell; numbers stand at its end, words at its start."""

    text: str
    is_number: bool


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the report; the first cell of each row heads it."""

    caption: str
    columns: tuple[Cell, ...]
    rows: tuple[tuple[Cell, ...], ...]


def _table(caption: str, columns: tuple[str, ...], rows: list[Row], words: int = 1) -> Table:
    """The first columns, as many as `words`, are words."""
    return Table(caption, _cells(columns, words), tuple(_cells(row, words) for row in rows))


def _cells(row: Row, words: int) -> tuple[Cell, ...]:
    return tuple(
        Cell(said if isinstance(said, str) else f"{said:,}", number >= words)
        for number, said in enumerate(row)
    )


def contents_table(frozen: Frozen) -> Table:
    """What is in the package."""
    rows: list[Row] = [
        (table, ROWS_OF[table], len(frozen.tables[table]), len(COLUMNS[table])) for table in TABLES
    ]
    return _table("Tables in the package", ("Table", "Holds", "Rows", "Columns"), rows, words=2)


def flow_table(frozen: Frozen) -> Table:
    """Who was assessed, left out by which rule, and remained."""
    rows: list[Row] = [(step.label, step.left_out, step.remaining) for step in frozen.flow]
    return _table("From all repairs to those released", ("Step", "Left out", "Remaining"), rows)


def levels_table(levels: tuple[Level, ...]) -> Table:
    """How coarse each quasi-identifier became."""
    rows: list[Row] = [
        (each.title, each.label, f"{each.step} of {each.steps}", wording.percent(each.loss))
        for each in levels
    ]
    columns = ("What may be known", "Told as", "Steps taken", "Detail lost")
    return _table("How coarse each of them is told", columns, rows, words=2)


def suppressed_table(hidden: Hidden) -> Table | None:
    """Which attribute cost how many rows; None where nothing was left out."""
    if not hidden.suppressed:
        return None
    titles = {level.attribute: level.title for level in hidden.levels}
    rows: list[Row] = [(titles.get(code, code), saved) for code, saved in hidden.suppressed_by]
    caption = "Repairs left out that would have stayed, had this alone been given up"
    return _table(caption, ("What may be known", "Repairs"), rows)


def survival_table(landmarks: tuple[Landmark, ...], facts: Facts) -> Table:
    """The headline table, as the programs of the package print it."""
    rows: list[Row] = [
        (f"{each.year} y", each.at_risk, each.failures, share(each.survival, facts.repairs))
        for each in landmarks
    ]
    return _table("Still standing", ("Time", "At risk", "Failures until then", "Survival"), rows)


def effect_table(effects: tuple[Effect, ...], facts: Facts) -> Table:
    """Survival before and after people were hidden."""
    rows: list[Row] = [
        (
            f"{each.year} y",
            share(each.permitted, facts.repairs),
            share(each.released, facts.repairs),
            _difference(each, facts),
        )
        for each in effects
    ]
    columns = ("Time", "All permitted", "Released", "Difference, percentage points")
    return _table("What leaving out the repairs that stood out did to survival", columns, rows)


def _difference(of: Effect, facts: Facts) -> str:
    if of.permitted is None or of.released is None or not facts.is_enough_for_shares:
        return "-"
    return f"{100 * (of.released - of.permitted):+.2f}"
