"""A file of old records in, its sheets of plain values out, or a refusal that says what to do instead."""

import zipfile
from pathlib import PurePath

from registry.intake.file import limits
from registry.intake.file.csv_text import sheet_of_text
from registry.intake.file.packed import unpackable
from registry.intake.file.sheet import FileRefused, Sheet
from registry.intake.file.workbook import sheets_of_workbook

LIMIT_BYTES = limits.LIMIT_BYTES

_SAVE_AS = "Open it in a spreadsheet and save it as .xlsx or CSV."
_ZIP = b"PK\x03\x04"
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ENCRYPTED_PART = "EncryptedPackage".encode("utf-16-le")
# What files of other kinds begin with; text has no beginning of its own.
_OTHER_KINDS = {
    b"<": "It is a web page or another file of marked-up text, whatever its name says.",
    b"%PDF": "It is a PDF, which has no cells to read.",
    b"{\\rtf": "It is a text document, not a table.",
    b"\x89PNG": "It is a picture, not a table.",
    b"\xff\xd8\xff": "It is a picture, not a table.",
    b"\x1f\x8b": "It is a packed file. Unpack it first.",
    b"7z\xbc\xaf": "It is a packed file. Unpack it first.",
    b"Rar!": "It is a packed file. Unpack it first.",
    b"PAR1": "It is a file of columns for programs, not a table to look at.",
}
_STRICT = b"http://purl.oclc.org/ooxml/"


def read(content: bytes, file_name: str) -> tuple[Sheet, ...]:
    """Every sheet of a workbook (.xlsx, .xlsm), or the one of a text of separated cells (CSV, TSV).

    What it is says the content, not the name. Nothing in it is worked out or run.

    Raises
    ------
    FileRefused
        If it is too large, of another kind, damaged or ambiguous: what, why, and how to mend it.
    """
    try:
        return _read(content, PurePath(file_name).stem or "Table")
    except FileRefused as refusal:
        raise FileRefused(f'"{file_name}" cannot be read. {refusal}') from refusal


def _read(content: bytes, name: str) -> tuple[Sheet, ...]:
    if not content.strip():
        raise FileRefused("It is empty. Choose the file that holds the table.")
    if len(content) > LIMIT_BYTES:
        raise FileRefused(
            f"It has {len(content) / limits.MEGABYTE:.1f} MB, and at most "
            f"{LIMIT_BYTES // limits.MEGABYTE} MB are read. Split it into several files."
        )
    if content.startswith(_OLE):
        raise FileRefused(_why_not_ole(content))
    if content.startswith(_ZIP):
        _check_is_workbook(unpackable(content))
        return sheets_of_workbook(content)
    if (why := _other_kind(content)) is not None:
        raise FileRefused(f"{why} {_SAVE_AS}")
    return (sheet_of_text(content, name),)


def _why_not_ole(content: bytes) -> str:
    if _ENCRYPTED_PART in content:
        return "It is protected by a password. Remove the password, then save it as .xlsx or CSV."
    return "It is a workbook of the old .xls kind, which is not read. Save it as .xlsx or CSV."


def _other_kind(content: bytes) -> str | None:
    beginning = content[:64].removeprefix(b"\xef\xbb\xbf").lstrip()
    return next((why for mark, why in _OTHER_KINDS.items() if beginning.startswith(mark)), None)


def _check_is_workbook(archive: zipfile.ZipFile) -> None:
    """Refuse a zip file that is no workbook of the .xlsx kind, and say what it is."""
    names = set(archive.namelist())
    if "xl/workbook.bin" in names:
        raise FileRefused("It is a binary workbook (.xlsb), which is not read. Save it as .xlsx or CSV.")
    if "xl/workbook.xml" in names and _STRICT in archive.read("xl/workbook.xml"):
        raise FileRefused('It is of the kind "Strict Open XML". Save it as the usual .xlsx.')
    if any(name.startswith("xl/") for name in names):
        return
    if "mimetype" in names and archive.read("mimetype").startswith(b"application/vnd.oasis.opendocument"):
        raise FileRefused("It is an OpenDocument file (.ods), which is not read. Save it as .xlsx or CSV.")
    if any(name.endswith(".iwa") or name.startswith("Index") for name in names):
        raise FileRefused("It is a .numbers document, which is not read. Export it as .xlsx or CSV.")
    raise FileRefused(
        "It is a zip file, but no workbook. Unpack it and choose the file that holds the table."
    )
