"""The table of OWASP ASVS 5.0: no requirement of levels 1 and 2 is left out, and every test named is there.

Numbers and levels are those of the English file of version 5.0.0 that OWASP publishes (CC BY-SA 4.0); the
words of the table are our own. `RIMWARD_ASVS=FILE pytest tests/security/test_asvs.py` writes it as Markdown.
"""

import csv
import os
import re
from collections.abc import Iterator
from pathlib import Path

PROJECT = Path(__file__).parents[2]
TABLE = Path(__file__).with_name("asvs.csv")
# How many requirements of levels 1 and 2 each section has, by the numbers of those of level 3 within it.
SECTIONS: dict[str, tuple[int, tuple[int, ...]]] = {
    "1.1": (2, ()), "1.2": (10, (10,)), "1.3": (12, (12,)), "1.4": (3, ()), "1.5": (3, (3,)),
    "2.1": (3, ()), "2.2": (3, ()), "2.3": (5, (5,)), "2.4": (2, (2,)),
    "3.2": (3, (3,)), "3.3": (5, (5,)), "3.4": (8, (7, 8)), "3.5": (8, (6, 7, 8)), "3.7": (5, (3, 4, 5)),
    "4.1": (5, (4, 5)), "4.2": (5, (2, 3, 4, 5)), "4.3": (2, ()), "4.4": (4, ()),
    "5.1": (1, ()), "5.2": (6, (4, 5, 6)), "5.3": (3, (3,)), "5.4": (3, ()),
    "6.1": (3, ()), "6.2": (12, ()), "6.3": (8, (5, 6, 7, 8)), "6.4": (6, (5, 6)), "6.5": (8, (6, 7, 8)),
    "6.6": (4, (4,)), "6.8": (4, ()),
    "7.1": (3, ()), "7.2": (4, ()), "7.3": (2, ()), "7.4": (5, ()), "7.5": (3, (3,)), "7.6": (2, ()),
    "8.1": (4, (3, 4)), "8.2": (4, (4,)), "8.3": (3, (2, 3)), "8.4": (2, (2,)),
    "9.1": (3, ()), "9.2": (4, ()),
    "10.1": (2, ()), "10.2": (3, (3,)), "10.3": (5, (5,)), "10.4": (16, (12, 13, 14, 15, 16)),
    "10.5": (5, ()), "10.6": (2, ()), "10.7": (3, ()),
    "11.1": (4, (3, 4)), "11.2": (5, (4, 5)), "11.3": (5, (4, 5)), "11.4": (4, ()), "11.5": (2, (2,)),
    "11.6": (2, (2,)),
    "12.1": (5, (4, 5)), "12.2": (2, ()), "12.3": (5, (5,)),
    "13.1": (4, (2, 3, 4)), "13.2": (6, (6,)), "13.3": (4, (3, 4)), "13.4": (7, (6, 7)),
    "14.1": (2, ()), "14.2": (8, (5, 6, 7, 8)), "14.3": (3, ()),
    "15.1": (5, (4, 5)), "15.2": (5, (4, 5)), "15.3": (7, ()),
    "16.1": (1, ()), "16.2": (5, ()), "16.3": (4, ()), "16.4": (3, ()), "16.5": (4, (4,)),
    "17.1": (2, (2,)), "17.2": (8, (5, 6, 7, 8)), "17.3": (2, ()),
}  # fmt: skip
NUMBER = re.compile(r"V(\d+)\.(\d+)\.(\d+)")


def table() -> list[dict[str, str]]:
    with TABLE.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def asked_for() -> list[tuple[int, ...]]:
    """Every requirement of levels 1 and 2, in order."""
    return [
        (*map(int, section.split(".")), number)
        for section, (count, third) in SECTIONS.items()
        for number in range(1, count + 1)
        if number not in third
    ]


def test_every_requirement_is_answered_once_and_in_order() -> None:
    answered = [number for row in table() for number in _numbers(row["id"])]
    assert answered == asked_for()


def _numbers(said: str) -> list[tuple[int, ...]]:
    """One number, or all from one to another that levels 1 and 2 ask for."""
    first, *last = (tuple(map(int, found)) for found in NUMBER.findall(said))
    return [number for number in asked_for() if first <= number <= (last[0] if last else first)]


def test_every_answer_says_why_not_or_where() -> None:
    for row in table():
        says = row["where"] or row["gap"] or row["test"]
        assert row["applies"].startswith("no: ") or row["applies"].startswith("yes"), row["id"]
        assert says or ": " in row["applies"], f"{row['id']} neither says where it is met nor that it is not"


def test_every_module_and_test_that_is_named_is_there() -> None:
    missing = [f"{row['id']}: {name}" for row in table() for name in _named(row) if not _is_there(name)]
    assert not missing, "\n".join(missing)


def _named(row: dict[str, str]) -> Iterator[str]:
    yield from (name.strip() for name in row["test"].split(";") if name.strip())
    yield from re.findall(r"\b(?:registry|outcomes|tests)/[\w/]+(?:\.\w+)?", row["where"])


def _is_there(name: str) -> bool:
    path, _, test = name.partition("::")
    file = PROJECT / path
    if not file.exists():
        return False
    return (
        not test or re.search(rf"^def {test}\(", file.read_text(encoding="utf-8"), re.MULTILINE) is not None
    )


def as_markdown() -> str:
    """The table for people to read."""
    lines = ["| no. | asks for | applies | where | test | gap |", "|---|---|---|---|---|---|"]
    lines += ["| " + " | ".join(_short(cell) for cell in row.values()) + " |" for row in table()]
    return "\n".join(lines)


def _short(cell: str) -> str:
    return cell.replace("tests/", "").replace("; ", "<br>").replace("|", "\\|")


def test_the_table_can_be_written_for_people_to_read() -> None:
    written = as_markdown()
    assert len(written.splitlines()) == len(table()) + 2
    if path := os.environ.get("RIMWARD_ASVS"):
        Path(path).write_text(written, encoding="utf-8")
