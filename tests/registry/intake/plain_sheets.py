"""Sheets of plain values, as reading gives them."""

from registry.intake.file.sheet import Sheet, Value


def a_sheet(*rows: list[Value], name: str = "Sheet1") -> Sheet:
    """A sheet whose rows are padded to one width."""
    width = max(map(len, rows))
    return Sheet(name, tuple((*row, *[None] * (width - len(row))) for row in rows))
