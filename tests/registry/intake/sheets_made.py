"""Files as departments have them, written by tests: separated cells, workbooks good and bad; and read."""

import zipfile
from collections.abc import Callable, Mapping, Sequence
from io import BytesIO
from typing import Any

import pytest
from openpyxl import Workbook

from registry.intake.file.reading import read
from registry.intake.file.sheet import FileRefused, Sheet

Rows = Sequence[Sequence[Any]]


def text(rows: Rows, separator: str = ",", encoding: str = "utf-8") -> bytes:
    """Separated cells without quotes, None as nothing."""
    lines = (separator.join("" if cell is None else str(cell) for cell in row) for row in rows)
    return ("\r\n".join(lines) + "\r\n").encode(encoding)


def workbook(sheets: Mapping[str, Rows], arranged: Callable[[Workbook], None] | None = None) -> bytes:
    """An .xlsx with these sheets; `arranged` may merge, hide or format before it is saved."""
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        page = book.create_sheet(name)
        for row in rows:
            page.append(list(row))
    if arranged:
        arranged(book)
    file = BytesIO()
    book.save(file)
    return file.getvalue()


def changed(content: bytes, part: str, change: Callable[[str], str]) -> bytes:
    """The workbook with one of its parts changed."""
    return repacked(content, lambda name, old: change(old.decode()).encode() if name == part else old)


def repacked(content: bytes, change: Callable[[str, bytes], bytes], **more: bytes) -> bytes:
    file = BytesIO()
    with zipfile.ZipFile(BytesIO(content)) as old, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, change(name, old.read(name)))
        for name, part in more.items():
            new.writestr(name, part)
    return file.getvalue()


def with_cells(rows_xml: str) -> bytes:
    """A workbook whose first sheet has these rows, as the file format writes them."""
    return changed(
        workbook({"List": [["x"]]}),
        "xl/worksheets/sheet1.xml",
        lambda xml: f"{xml[: xml.index('<sheetData>')]}<sheetData>{rows_xml}</sheetData></worksheet>",
    )


def with_shared_texts(rows_xml: str, items_xml: str) -> bytes:
    """Such a workbook whose cells point to texts that it holds once, as spreadsheets save them."""
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    override = f'<Override PartName="/xl/sharedStrings.xml" ContentType="{kind}"/></Types>'
    named = changed(
        with_cells(rows_xml), "[Content_Types].xml", lambda xml: xml.replace("</Types>", override)
    )
    space = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    texts = f'<sst xmlns="{space}">{items_xml}</sst>'.encode()
    return repacked(named, lambda _, part: part, **{"xl/sharedStrings.xml": texts})


def only(content: bytes, name: str = "list.csv") -> Sheet:
    (sheet,) = read(content, name)
    return sheet


def refusal(content: bytes, name: str = "list.csv") -> str:
    with pytest.raises(FileRefused) as refused:
        read(content, name)
    return str(refused.value)
