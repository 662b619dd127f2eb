"""An archive checked line by line before anything is written: form, schema, order, counts and hash."""

import gzip
import hashlib
import json
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

import jsonschema_rs

from registry.archive.schema import FORMAT, VERSION, validator_of, validator_of_header, validator_of_last
from registry.archive.sealing import IDENTITIES
from registry.archive.tables import Row, tables

# No line of a record comes near this; a longer one is no archive of ours.
LONGEST_LINE = 4 * 1024 * 1024
LONGEST_RULE = 300
TAKE_ANEW = "Take the archive anew from where it was written."
CORRECT = "Correct it where it was written."


class BadArchive(ValueError):  # noqa: N818 - said to a person as it stands
    """What is wrong with an archive: line, field, rule and mend."""

    def __init__(self, line: int, field: str, rule: str, mend: str) -> None:
        self.line, self.field, self.mend = line, field, mend
        self.rule = rule if len(rule) <= LONGEST_RULE else f"{rule[:LONGEST_RULE]}..."
        super().__init__(f"Line {line}, {field}: {self.rule}. {mend}")


@dataclass(slots=True)
class Checked:
    """What a sound archive says of itself."""

    header: Row
    # The unit of each identity by its key: its blind index is of that unit.
    units_of_identities: dict[int, int] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        return sum(self.header["rows"].values())


def check(path: Path) -> Checked:
    """Go through a whole archive.

    Raises
    ------
    BadArchive
        The first thing that is wrong.
    OSError
        The file cannot be read.
    """
    lines = _lines(path)
    number, line = next(lines, (1, b""))
    checked, rows = Checked(_header(number, line)), _Rows()
    digest, last = hashlib.sha256(), (number, line)
    # Each line is looked at once the next is there: only the last tells the hash of those before it.
    for number, line in lines:
        if number > 2:
            rows.check(*last, checked)
        digest.update(last[1])
        last = number, line
    _check_last(*last, digest.hexdigest())
    _check_counts(checked.header["rows"], rows.seen)
    return checked


def rows(path: Path) -> Iterator[tuple[str, Row]]:
    """Table and row of each line of an archive that was checked."""
    for _, line in _lines(path):
        parsed = json.loads(line)
        if "table" in parsed:
            yield parsed["table"], parsed["row"]


def _lines(path: Path) -> Iterator[tuple[int, bytes]]:
    number = 0
    try:
        with gzip.open(path) as file:
            while line := file.readline(LONGEST_LINE):
                number += 1
                if not line.endswith(b"\n"):
                    raise BadArchive(number, "the line", "it is cut off or too long", TAKE_ANEW)
                yield number, line
    except (gzip.BadGzipFile, EOFError, zlib.error) as error:
        rule = f"the file is damaged or no archive ({error})"
        raise BadArchive(number + 1, "the line", rule, TAKE_ANEW) from error


def _parsed(number: int, line: bytes) -> Any:
    try:
        return json.loads(line, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        raise BadArchive(number, "the line", f"it is no JSON ({error})", TAKE_ANEW) from error


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number of JSON")


def _header(number: int, line: bytes) -> Row:
    header = _parsed(number, line)
    if not isinstance(header, dict) or header.get("archive") != FORMAT:
        raise BadArchive(number, "archive", f"it is not '{FORMAT}'", "Give an archive of a record.")
    if header.get("version") != VERSION:
        found = f"{header.get('version')!r} is not read here, only {VERSION}"
        raise BadArchive(number, "version", found, "Read it with the release that wrote it.")
    _validate(number, validator_of_header(), header)
    if differing := set(header["rows"]) ^ set(tables()):
        found = f"{header['software']} wrote it with other tables: {', '.join(sorted(differing))}"
        raise BadArchive(number, "rows", found, "Read it with the release that wrote it.")
    return header


class _Rows:
    """The rows as they come, each table after those it refers to."""

    def __init__(self) -> None:
        self.seen = Counter[str]()
        self._places = {name: place for place, name in enumerate(tables())}
        self._reached = 0

    def check(self, number: int, line: bytes, checked: Checked) -> None:
        parsed = _parsed(number, line)
        name = parsed.get("table") if isinstance(parsed, dict) else None
        if not isinstance(name, str) or name not in self._places:
            raise BadArchive(number, "table", f"{name!r} is none of {', '.join(self._places)}", CORRECT)
        _validate(number, validator_of(name), parsed)
        if self._places[name] < self._reached:
            raise BadArchive(number, "table", f"{name} stands after tables that refer to it", TAKE_ANEW)
        self._reached = self._places[name]
        self.seen[name] += 1
        if tables()[name].model._meta.db_table == IDENTITIES:
            checked.units_of_identities[parsed["row"]["id"]] = parsed["row"]["unit_id"]


def _validate(number: int, validator: Any, parsed: Any) -> None:
    try:
        validator.validate(parsed)
    except jsonschema_rs.ValidationError as error:
        place = ".".join(str(each) for each in error.instance_path) or "the line"
        raise BadArchive(number, place, error.message, CORRECT) from error


def _check_last(number: int, line: bytes, digest: str) -> None:
    parsed = _parsed(number, line)
    if not validator_of_last().is_valid(parsed):
        raise BadArchive(number, "sha256", "the last line has none, so the end is missing", TAKE_ANEW)
    if parsed["sha256"] != digest:
        raise BadArchive(number, "sha256", "it is that of other lines: something was changed", TAKE_ANEW)


def _check_counts(told: dict[str, int], seen: Counter[str]) -> None:
    for name, count in told.items():
        if seen[name] != count:
            raise BadArchive(1, f"rows.{name}", f"it says {count}, but there are {seen[name]}", TAKE_ANEW)
