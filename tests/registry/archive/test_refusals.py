"""What is no sound archive is refused by line, field, rule and mend, before anything is written."""

import gzip
import json
from collections.abc import Callable
from hashlib import sha256
from itertools import groupby, islice
from operator import itemgetter
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.archive.checking import LONGEST_LINE, BadArchive, check
from registry.archive.reading import CannotRead, read
from registry.archive.schema import schema
from registry.archive.tables import COLUMNS_NOT_IN_IT, NOT_IN_IT, tables
from tests.registry.archive.conftest import KEY, Written, lines_of
from tests.registry.archive.told import NOT_IN_IT as TOLD_AS_NOT_IN_IT
from tests.registry.archive.told import OF_ACCOUNTS, OF_INTAKES

Lines = list[dict[str, Any]]


@pytest.fixture(scope="module")
def small(written: Written, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of two rows of every table: sound by itself, though what they refer to is not there."""
    rows = [line for line in written.lines if "table" in line]
    few = [row for _, of_one in groupby(rows, key=itemgetter("table")) for row in islice(of_one, 2)]
    path = tmp_path_factory.mktemp("small") / "small"
    return packed(path, [written.lines[0], *few, written.lines[-1]])


def packed(path: Path, lines: Lines, **told: int) -> Path:
    """The lines as an archive with the hash and the counts that they should have, unless told otherwise."""
    counts = dict.fromkeys(lines[0]["rows"], 0)
    for line in lines[1:-1]:
        if line.get("table") in counts:
            counts[line["table"]] += 1
    plain = "".join(
        f"{json.dumps(line)}\n" for line in [lines[0] | {"rows": counts | told}, *lines[1:-1]]
    ).encode()
    last = json.dumps({"sha256": sha256(plain).hexdigest()}).encode()
    path.write_bytes(gzip.compress(plain + last + b"\n"))
    return path


def of_table(lines: Lines, name: str) -> dict[str, Any]:
    """The first row of a table."""
    row: dict[str, Any] = next(line["row"] for line in lines if line.get("table") == name)
    return row


def refusal(path: Path) -> BadArchive:
    with pytest.raises(BadArchive) as refused:
        check(path)
    return refused.value


def test_every_line_is_valid_by_the_printed_schema(written: Written) -> None:
    document = schema()
    jsonschema_rs.meta.validate(document)
    # One part at a time: asked of the whole, each line would be tried by every table.
    parts = {part["title"]: part for part in document["oneOf"]}
    assert len(parts) == len(document["oneOf"]) == len(tables()) + 2
    by_table = {
        part["properties"]["table"]["const"]: jsonschema_rs.Draft202012Validator(part, validate_formats=True)
        for part in document["oneOf"][1:-1]
    }
    for line in written.lines[1:-1]:
        by_table[line["table"]].validate(line)
    whole = jsonschema_rs.Draft202012Validator(document, validate_formats=True)
    one_of_each_table = {line.get("table", place): line for place, line in enumerate(written.lines)}
    assert len(one_of_each_table) == len(tables()) + 2
    assert all(whole.is_valid(line) for line in one_of_each_table.values())


def test_the_schema_says_what_the_models_say() -> None:
    rows = {
        part["properties"]["table"]["const"]: part["properties"]["row"]["properties"]
        for part in schema()["oneOf"][1:-1]
    }
    assert rows["tear"]["meniscus"]["enum"] == ["medial", "lateral"]
    assert rows["tear"]["depth"]["enum"][0] == ""
    assert rows["tear"]["length_mm"]["anyOf"] == [
        {"type": "integer", "minimum": 1, "maximum": 60},
        {"type": "null"},
    ]
    assert rows["visit"]["seen_on"]["format"] == "date"
    assert rows["unit"]["hka_limit_deg"]["pattern"] == r"^-?\d{1,2}\.\d{1}$"
    assert rows["unit"]["name"]["maxLength"] == 120
    assert rows["correction"]["before"]["type"] == "object"
    assert rows["plannedtimepoint"]["instruments"]["type"] == "array"
    assert set(rows["user"]) == OF_ACCOUNTS
    assert set(rows["intake"]) == OF_INTAKES


def test_whatever_is_left_out_has_its_reason() -> None:
    assert {model.__name__ for model in NOT_IN_IT} == TOLD_AS_NOT_IN_IT
    said = schema()["description"]
    reasons = [*NOT_IN_IT.values(), *(why for each in COLUMNS_NOT_IN_IT.values() for why in each.values())]
    assert all(reasons)
    assert all(why in said for why in reasons)


# --- Damaged on the way -----------------------------------------------------------------------------


@pytest.mark.any_engine
@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_no_byte_can_be_changed_unseen(small: Path, data: st.DataObject) -> None:
    plain = bytearray(gzip.decompress(small.read_bytes()))
    place = data.draw(st.integers(0, len(plain) - 1))
    plain[place] ^= data.draw(st.integers(1, 255))
    changed = small.with_name("changed")
    changed.write_bytes(gzip.compress(bytes(plain), 1))
    assert refusal(changed).mend


@pytest.mark.any_engine
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_no_end_can_be_missing(small: Path, data: st.DataObject) -> None:
    whole = small.read_bytes()
    small.with_name("cut").write_bytes(whole[: data.draw(st.integers(0, len(whole) - 1))])
    assert refusal(small.with_name("cut")).mend


@pytest.mark.any_engine
@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_no_line_can_be_dropped_doubled_or_moved(small: Path, data: st.DataObject) -> None:
    lines = gzip.decompress(small.read_bytes()).splitlines(keepends=True)
    one, other = (data.draw(st.integers(0, len(lines) - 1)) for _ in range(2))
    match data.draw(st.sampled_from(["drop", "double", "swap"])):
        case "drop":
            del lines[one]
        case "double":
            lines.insert(one, lines[one])
        case _:
            lines[one], lines[other] = lines[other], lines[one]
            if one == other:
                del lines[one]
    small.with_name("other").write_bytes(gzip.compress(b"".join(lines), 1))
    assert refusal(small.with_name("other")).mend


@pytest.mark.parametrize(
    ("content", "words"),
    [
        pytest.param(b"", "Line 1, the line: it is no JSON", id="nothing"),
        pytest.param(
            b"no archive", "Line 1, the line: the file is damaged or no archive", id="not compressed"
        ),
        pytest.param(
            gzip.compress(b'{"archive": "other"}\n'),
            "Line 1, archive: it is not 'rimward-archive'",
            id="another format",
        ),
        pytest.param(
            gzip.compress(b'{"archive": "rimward-archive", "version": 9}\n'),
            "Line 1, version: 9 is not read here, only 1",
            id="a later version",
        ),
        pytest.param(gzip.compress(b"[1]\n"), "Line 1, archive", id="a list"),
        pytest.param(gzip.compress(b"[" * 100_000 + b"\n"), "Line 1, the line: it is no JSON", id="too deep"),
        pytest.param(
            gzip.compress(b" " * (LONGEST_LINE + 9) + b"\n"),
            "Line 1, the line: it is cut off or too long",
            id="too long",
        ),
    ],
)
def test_what_is_no_archive_is_said_to_be_none(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "file").write_bytes(content)
    assert str(refusal(tmp_path / "file")).startswith(words)


def test_what_stands_behind_the_end_is_seen(small: Path) -> None:
    check(small)
    small.with_name("longer").write_bytes(small.read_bytes() + b"more")
    assert "the file is damaged" in str(refusal(small.with_name("longer")))


# --- Made otherwise, with a right hash and right counts ---------------------------------------------


def _put(table: str, **values: Any) -> Callable[[Lines], Any]:
    return lambda lines: of_table(lines, table).update(values)


@pytest.mark.parametrize(
    ("change", "field", "rule"),
    [
        (_put("visit", colour="red"), "row", "'colour' was unexpected"),
        (lambda lines: of_table(lines, "visit").pop("seen_on"), "row", '"seen_on" is a required property'),
        (_put("visit", seen_on="2024-02-30"), "row.seen_on", 'is not a "date"'),
        (_put("visit", effusion="much"), "row.effusion", '"much" is not one of'),
        (_put("visit", knee_id=None), "row.knee_id", "null is not of type"),
        (_put("visit", flexion_deg=171), "row.flexion_deg", "not valid under any of"),
        (_put("visit", version=40_000), "row.version", "greater than the maximum of 32767"),
        (_put("visit", uuid="none"), "row.uuid", 'is not a "uuid"'),
        (_put("visit", recorded_at="yesterday"), "row.recorded_at", 'is not a "date-time"'),
        (_put("unit", hka_limit_deg="5"), "row.hka_limit_deg", "does not match"),
        (_put("unit", name="N" * 121), "row.name", "longer than 120 characters"),
        (_put("scoreresponse", items=[1]), "row.items", 'is not of type "object"'),
        (_put("user", password="!"), "row", "'password' was unexpected"),
        (lambda lines: lines[1].update(table="membership"), "table", "'membership' is none of correction"),
        (lambda lines: lines[1].update(more=1), "the line", "'more' was unexpected"),
        (lambda lines: lines.insert(2, {}), "table", "None is none of"),
        (
            lambda lines: lines.insert(-1, lines[1]),
            "table",
            "correction stands after tables that refer to it",
        ),
        (lambda lines: lines[0].update(more=1), "the line", "'more' was unexpected"),
        (lambda lines: lines[0]["rows"].update(draft=1), "rows", "with other tables: draft"),
    ],
)
def test_a_line_of_another_form_is_refused_by_name(
    small: Path, change: Callable[[Lines], Any], field: str, rule: str
) -> None:
    lines = lines_of(small)
    change(lines)
    refused = refusal(packed(small.with_name("made"), lines))
    assert (refused.field, rule in refused.rule) == (field, True), str(refused)
    assert str(refused).endswith(refused.mend)


def test_counts_that_are_wrong_are_told(small: Path) -> None:
    path = packed(small.with_name("made"), lines_of(small), visit=7)
    assert str(refusal(path)).startswith("Line 1, rows.visit: it says 7, but there are 2.")


# --- Of the right form, but against the rules of the database ---------------------------------------


@pytest.fixture
def lines_alone(written: Written) -> Lines:
    """Lines of an archive whose record is gone, without identities."""
    return [
        line for line in written.lines if line.get("table") not in ("identity", "correction", "intakerow")
    ]


def _bare(lines: Lines) -> Lines:
    """Lines as if written without identities."""
    bare: Lines = json.loads(json.dumps(lines))
    bare[0]["identities"] = False
    for line in bare[1:-1]:
        line["row"] |= {name: "" for name in line["row"] if name.endswith("_sealed")}
    return bare


def _before_the_operation(lines: Lines) -> None:
    of_table(lines, "visit")["seen_on"] = "1999-01-01"


def _twice_the_same_key(lines: Lines) -> None:
    first, second = [line["row"] for line in lines if line.get("table") == "visit"][:2]
    second["id"] = first["id"]


def _of_nobody(lines: Lines) -> None:
    of_table(lines, "endoffollowup")["patient_id"] = 999_999


def _resolved_before_noticed(lines: Lines) -> None:
    of_table(lines, "complication")["resolved_on"] = "1999-01-01"


def _a_leap_second(lines: Lines) -> None:
    of_table(lines, "visit")["recorded_at"] = "2016-12-31T23:59:60Z"


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_before_the_operation, "by a visit of keys .* lies before the first operation on this knee"),
        (_twice_the_same_key, "by a visit of keys .*(UNIQUE|unique constraint)"),
        (_of_nobody, "rule of the record is broken.*(endoffollowup|foreign key)"),
        (_resolved_before_noticed, "by a complication of keys .*complication_resolved_after_noticed"),
        (_a_leap_second, "visit .* Correct it"),
    ],
)
def test_the_rules_of_the_database_hold_for_an_archive(
    lines_alone: Lines, tmp_path: Path, change: Callable[[Lines], None], words: str
) -> None:
    lines = _bare(lines_alone)
    change(lines)
    path = packed(tmp_path / "made", lines)
    check(path)
    with pytest.raises(CannotRead, match=words):
        read(path, None)
    assert not any(table.all().exists() for table in tables().values())


@pytest.mark.django_db
def test_nothing_is_read_of_what_is_not_sound(small: Path) -> None:
    small.with_name("cut").write_bytes(small.read_bytes()[:-9])
    with pytest.raises(BadArchive):
        read(small.with_name("cut"), KEY)
    assert not any(table.all().exists() for table in tables().values())
