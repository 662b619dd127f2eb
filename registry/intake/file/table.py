"""Cells cleaned and rows brought to one width, whatever the file's format."""

import re
from collections.abc import Sequence

from registry.intake.file.sheet import Value

# Written by some programs, seen by nobody: byte order mark, zero-width spaces, soft hyphen.
_UNSEEN = re.compile("[\ufeff\u200b\u200c\u200d\u2060\u00ad]")
# What neither a database nor a workbook takes in a text.
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")


def cleaned(text: str) -> str | None:
    """Text as a person sees it: without unseen characters and outer spaces, None if nothing is left."""
    if not text.isascii():
        text = _UNSEEN.sub("", text)
    if not text.isprintable():
        text = _CONTROL.sub("", text).replace("\r\n", "\n").replace("\r", "\n")
    return text.strip() or None


def squared(rows: Sequence[Sequence[Value]]) -> tuple[tuple[Value, ...], ...]:
    """Rows padded to the widest, without those after the last with a value. Each ends in one or is empty."""
    last = max((number for number, row in enumerate(rows, start=1) if row), default=0)
    width = max(map(len, rows[:last]), default=0)
    return tuple((*row, *(None,) * (width - len(row))) for row in rows[:last])
