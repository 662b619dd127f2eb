"""What a zip file holds, proved harmless before anything of it is unpacked whole."""

import zipfile
import zlib
from io import BytesIO

from registry.intake.file.limits import LIMIT_UNPACKED, MEGABYTE, MOST_PARTS
from registry.intake.file.sheet import FileRefused

DAMAGED = "It is damaged. Open it in a spreadsheet and save it again as .xlsx, or fetch it anew."
_COPY = "Copy the table into a new workbook and save that as .xlsx."
_TOO_LARGE = (
    f"Unpacked it would take more than {LIMIT_UNPACKED // MEGABYTE} MB, more than a table of patients needs. "
    + _COPY
)
_PROTECTED = "It is protected by a password. Remove the password, then save it as .xlsx or CSV."
# Deflate reaches 1,032 at most; spreadsheets 10 to 60, measured. Below the floor no ratio does harm.
_MOST_SHRUNK = 200
_FLOOR = 30 * MEGABYTE
# Other ways of packing are no part of the file format, and cannot be unpacked in small pieces.
_WAYS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_IS_ENCRYPTED = 0x1  # a part's flag, ZIP application note 4.4.4
# A document type may declare entities that grow without end; no spreadsheet writes one.
_DOCUMENT_TYPE = tuple("<!DOCTYPE".encode(codec) for codec in ("utf-8", "utf-16-le", "utf-16-be"))
_LONGEST = max(map(len, _DOCUMENT_TYPE))
_XML = (".xml", ".rels", ".vml")
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, ValueError, RuntimeError)


def unpackable(content: bytes) -> zipfile.ZipFile:
    """The zip file, whose parts together are known to be small enough and free of document types.

    Every part is unpacked once in small pieces that are thrown away, because declared sizes may lie.

    Raises
    ------
    FileRefused
        If it is damaged or encrypted, or unpacks to more than a table needs, or declares entities.
    """
    try:
        archive = zipfile.ZipFile(BytesIO(content))
        _check_declared(archive.infolist(), len(content))
        _check_unpacked(archive)
    except FileRefused:
        raise
    except _BROKEN as error:
        raise FileRefused(DAMAGED) from error
    return archive


def _check_declared(parts: list[zipfile.ZipInfo], packed: int) -> None:
    declared = sum(part.file_size for part in parts)
    if len(parts) > MOST_PARTS or declared > LIMIT_UNPACKED:
        raise FileRefused(_TOO_LARGE)
    if declared > _FLOOR and declared > _MOST_SHRUNK * packed:
        raise FileRefused(_TOO_LARGE)
    if any(part.flag_bits & _IS_ENCRYPTED for part in parts):
        raise FileRefused(_PROTECTED)
    if any(part.compress_type not in _WAYS for part in parts):
        raise FileRefused(f"It is packed in a way that no spreadsheet uses. {_COPY}")


def _check_unpacked(archive: zipfile.ZipFile) -> None:
    unpacked = 0
    for part in archive.infolist():
        is_xml = part.filename.lower().endswith(_XML)
        tail = b""
        with archive.open(part) as stream:
            while piece := stream.read(MEGABYTE):
                unpacked += len(piece)
                if unpacked > LIMIT_UNPACKED:
                    raise FileRefused(_TOO_LARGE)
                if is_xml and any(mark in tail + piece for mark in _DOCUMENT_TYPE):
                    raise FileRefused(
                        f"Its part {part.filename} declares a document type, which no spreadsheet writes. "
                        + _COPY
                    )
                tail = piece[-_LONGEST:]
