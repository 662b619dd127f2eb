"""The codebook: every column of every table, for programs (CSV) and for people (HTML)."""

import csv
import io
from dataclasses import dataclass

from django.template.loader import render_to_string

from outcomes.release.columns import COLUMNS, QUASI_IDENTIFIERS, Column
from outcomes.release.frozen import REPAIRS, TABLES, Frozen
from outcomes.release.package.citation import title
from outcomes.release.package.words import NOT_PROMISED, ROWS_OF

HEADER = ("table", "name", "label", "type", "unit", "allowed", "missing", "source", "form")
EMPTY_CELL = "empty"
NOT_ASKED_FOR = "not asked for"
_MAY_BE_ASKED_FOR = (*QUASI_IDENTIFIERS, "unit", "surgeon")


@dataclass(frozen=True, slots=True)
class Told:
    """A column as the codebook tells it; `form` is how coarse it is in this release, empty for most."""

    column: Column
    form: str


def codebook_csv(frozen: Frozen) -> str:
    """One row a column; codes are parted by spaces, and an empty cell is called that."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(HEADER)
    for table in TABLES:
        writer.writerows(_row(table, told) for told in _told(frozen, table))
    return text.getvalue()


def codebook_html(frozen: Frozen) -> str:
    """The same to be read and printed."""
    tables = [
        {
            "name": table,
            "rows_of": ROWS_OF[table],
            "rows": len(frozen.tables[table]),
            "columns": _told(frozen, table),
        }
        for table in TABLES
    ]
    context = {
        "page": "Codebook",
        "title": title(frozen),
        "frozen": frozen,
        "tables": tables,
        "not_promised": NOT_PROMISED,
    }
    return render_to_string("outcomes/release_files/codebook.html", context)


def _told(frozen: Frozen, table: str) -> list[Told]:
    """Forms are those of the quasi-identifiers, which stand in the table of repairs alone."""
    forms: dict[str, str] = {}
    if table == REPAIRS:
        forms = dict.fromkeys(_MAY_BE_ASKED_FOR, NOT_ASKED_FOR)
        forms |= {level.attribute: level.label for level in frozen.hidden.levels}
    return [Told(column, forms.get(column.name, "")) for column in COLUMNS[table]]


def _row(table: str, told: Told) -> tuple[str, ...]:
    column = told.column
    return (
        *(table, column.name, column.label, column.type, column.unit),
        " ".join(column.allowed),
        column.missing or EMPTY_CELL,
        column.source,
        told.form,
    )
