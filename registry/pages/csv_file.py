"""A file of separated values (RFC 4180) as an answer; no spreadsheet takes a cell of it for a formula."""

import csv
from collections.abc import Iterable
from typing import Any

from django.http import HttpResponse

# What makes a spreadsheet take a text for a formula (OWASP, CSV injection).
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def csv_file(name: str, columns: Iterable[Any], rows: Iterable[Iterable[Any]]) -> HttpResponse:
    """The file under a name of our own, with a heading."""
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    writer = csv.writer(answer)
    for row in (columns, *rows):
        writer.writerow([guarded(cell) for cell in row])
    return answer


def guarded(cell: Any) -> Any:
    """A text that no spreadsheet takes for a formula: common practice puts an apostrophe before it."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA_STARTS) else cell
