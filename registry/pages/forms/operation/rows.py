"""The rows of the page that may be added and removed: cards of tears, suture passes, implants.

What was typed carries them in its names (tear-2-meniscus, pass-2-1-number, implant-1-lot). Here such a set of
names is read and changed; nothing is checked or saved.
"""

import re
from collections.abc import Iterable, Mapping
from typing import Any

from django.http import QueryDict

TEARS, PASSES, IMPLANTS = 8, 12, 20
# The key of a row on record, and all rows on record when the page was opened, hidden on the page.
ROW, KNOWN = "row", "known"


def tears_in(typed: Mapping[str, Any]) -> list[int]:
    """The numbers of the cards; the first is always there."""
    return _numbers(typed, r"(?:tear|repair|pass)-(\d+)-", TEARS) or [1]


def passes_in(typed: Mapping[str, Any], tear: int) -> list[int]:
    return _numbers(typed, rf"pass-{tear}-(\d+)-", PASSES)


def implants_in(typed: Mapping[str, Any]) -> list[int]:
    return _numbers(typed, r"implant-(\d+)-", IMPLANTS)


def row_key(typed: Mapping[str, Any], prefix: str) -> int | None:
    """The key of the row on record that a row of the page stands for."""
    said = str(typed.get(f"{prefix}-{ROW}", ""))
    return int(said) if said.isdecimal() else None


def numbered(said: Mapping[str, str], number: int) -> dict[str, str]:
    """What one card says, under the names of another."""
    renamed = {}
    for name, value in said.items():
        stem, _, rest = name.split("-", 2)
        renamed[f"{stem}-{number}-{rest}"] = value
    return renamed


def copy_tear(typed: QueryDict, source: int, target: int) -> None:
    """Everything that a card says, as a tear of its own."""
    for name in list(typed):
        copied = re.fullmatch(rf"(tear|repair|pass)-{source}-(.+)", name)
        if copied and not name.endswith(f"-{ROW}"):
            typed.setlist(f"{copied[1]}-{target}-{copied[2]}", typed.getlist(name))


def remove_tear(typed: QueryDict, number: int) -> None:
    _remove(typed, r"(?:tear|repair|pass)", number)


def remove_pass(typed: QueryDict, tear: int, number: int) -> None:
    _remove(typed, rf"pass-{tear}", number)


def remove_implant(typed: QueryDict, number: int) -> None:
    _remove(typed, "implant", number)


def _numbers(typed: Iterable[str], pattern: str, most: int) -> list[int]:
    found = {int(match[1]) for name in typed if (match := re.match(pattern, name))}
    return sorted(number for number in found if number >= 1)[:most]


def _remove(typed: QueryDict, stem: str, number: int) -> None:
    """Take a row out; those after it move up."""
    for name in sorted(typed, key=_natural):
        match = re.match(rf"({stem})-(\d+)-", name)
        if match and int(match[2]) >= number:
            values = typed.pop(name)
            if int(match[2]) > number:
                typed.setlist(f"{match[1]}-{int(match[2]) - 1}-{name[match.end() :]}", values)


def _natural(name: str) -> list[int]:
    return [int(digits) for digits in re.findall(r"\d+", name)]
