"""Values made to be taken for something else: SQL in parameters, formulas in files, paths in names."""

import csv
import io
import time
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from outcomes.models import NamedCohort, OwnDefinition
from registry.intake.file.limits import MEGABYTE
from registry.models import Intake, Surgeon
from registry.vocabulary import Scope
from tests import factories
from tests.registry.intake.test_reading import repacked, workbook, zip_bomb
from tests.security.asking import pages, taken_back
from tests.security.house import House

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

# Quotes, comments, unions, stacked statements, delays as each database has them; and what neither keeps.
SQL = (
    "' OR '1'='1",
    "1) OR (1=1) --",
    "x'; SELECT pg_sleep(9); --",
    "1 UNION SELECT password FROM registry_user",
    "(SELECT CASE WHEN 1=1 THEN randomblob(900000000) END)",
    '"; DROP TABLE registry_knee; --',
    "%' ESCAPE '",
    "\\'",
    "\0",
    "9" * 400,
)
SLOW_SECONDS = 9
# Pages that filter, sort or page, with every name that they read.
FILTERED = {
    "repairs": ("unit", "surgeon", "sort", "page", "since", "until", "pattern", "zone", "age", "failure"),
    "survival": ("unit", "split", "level", "since", "until", "failure", "which", "closed_on"),
    "survival_repairs": ("split", "level", "page", "failure"),
    "survival_compare": ("b_unit", "b_pattern", "b_since", "failure"),
    "survival_view": ("unit", "split", "covariates", "year"),
    "scores": ("unit", "score", "time_point", "split"),
    "response": ("unit", "since", "until"),
    "completeness": ("unit", "since", "until"),
    "how_sure": ("unit",),
    "my_results": ("unit", "surgeon", "failure"),
    "due": ("unit", "page", "time_point", "sort"),
    "drifting": ("unit", "page"),
    "named_cohorts": ("first", "second"),
    "own_definitions": ("replaces",),
    "named_cohort": ("version",),
    "new_cohort": ("of",),
    "history": ("page",),
    "readings": ("page", "show"),
    "record_event": ("on", "finding"),
    "record_operation": ("like",),
    "keyed_entry": ("time_point",),
    "intakes": ("page",),
    "intake_columns": ("sheet", "place"),
    "new_release": ("from",),
}
LISTS = ("knees", "operations", "visits", "scores", "patients", "cohorts")


def test_sql_in_a_parameter_of_a_page_selects_nothing_more(house: House) -> None:
    _rename(house.south)
    wrong, place = [], 0
    for address, role in pages("get"):
        for name in FILTERED.get(address.name, ()):
            place += 1
            # Values in turn, so that all come about equally often.
            wrong += _wrong(house, role, address.on(house.north), {name: SQL[place % len(SQL)]})
    assert place > 60
    assert not wrong, "\n".join(wrong)


def _rename(side: Any) -> None:
    """Words of the other unit that no answer to the first may hold."""
    factories.corrected(side.unit, name="CANARY unit")
    NamedCohort.objects.filter(uuid=side.parts["cohort"]).update(name="CANARY cohort")


def _wrong(house: House, role: str, url: str, query: dict[str, str]) -> Iterator[str]:
    client = house.clients[role]
    with taken_back(client):
        began = time.monotonic()
        answer = client.get(url, query)  # an error that nobody foresaw would be raised here
        took = time.monotonic() - began
    if answer.status_code >= 500 or took > SLOW_SECONDS:
        yield f"{url} {query}: {answer.status_code} after {took:.1f} s"
    if b"CANARY" in answer.content or b"argon2" in answer.content:
        yield f"{url} {query} tells of others"


def test_sql_in_a_parameter_of_the_api_is_told_to_be_wrong(house: House) -> None:
    headers, wrong = house.key("surgeon", *Scope), []
    client = house.clients["nobody"]
    for number, (kind, name) in enumerate(
        (kind, name) for kind in LISTS for name in ("knee", "changed_since", "cursor", "limit", "offset")
    ):
        with taken_back(client):
            value = SQL[number % len(SQL)]
            answer = client.get(f"/api/v1/{kind}/", {name: value}, headers={**headers, "Host": "localhost"})
        if answer.status_code not in (200, 400) or b"CANARY" in answer.content:
            wrong.append(f"{kind} {name}={value!r}: {answer.status_code}")
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize(
    "value", ["' OR 1=1 --", "x' UNION SELECT 1", "../../manage.py", "..%2f..%2fetc", "\0"]
)
def test_sql_and_paths_in_a_part_of_an_address_lead_nowhere(house: House, value: str) -> None:
    part = quote(value, safe="")
    for path in (
        f"/help/guides/{part}/",
        f"/survival/{part}/",
        f"/survival/{part}.csv",
        f"/units/{part}/",
        f"/releases/{part}/package.zip",
        f"/briefings/{part}/file.html",
        f"/static/{part}",
        f"/static/registry/{part}",
        f"/r/{part}/",
        f"/api/v1/reference/vocabulary/{part}/",
        f"/api/v1/releases/{part}/package/",
    ):
        for role in ("audit_lead", "coordinator"):
            with taken_back(house.clients[role]):
                answer = house.clients[role].get(path, headers={"Host": "localhost"})
            is_link = path.startswith("/r/")  # one page, whatever the token: nothing is told before the year
            assert answer.status_code in ((200, 404) if is_link else (401, 404)), path


# --- formulas -------------------------------------------------------------------------------------

FORMULA = '=HYPERLINK("https://evil.example.org","x")'


def test_no_cell_of_a_file_is_a_formula_to_a_spreadsheet(house: House) -> None:
    """Every address that answers with separated values; of marked workbooks, see test_annotating.py."""
    _name_by_formulas(house)
    found, files = [], set()
    for address, _ in pages("get"):
        if not address.route.endswith(("csv", "csv/")):
            continue
        for role in ("surgeon", "audit_lead"):
            url = address.on(house.north)
            for each in (url, url.replace("surgeon.csv", "unit.csv").replace("failures.csv", "funnel.csv")):
                with taken_back(house.clients[role]):
                    answer = house.clients[role].get(each)
                if answer.status_code == 200:
                    files.add(address.name)
                    found += [f"{each} {cell!r}" for cell in _formulas(answer)]
    assert len(files) >= 9
    assert not found, "\n".join(found)


def _name_by_formulas(house: House) -> None:
    factories.corrected(house.north.unit, name=FORMULA, lead_sees_surgeon_results=True)
    for surgeon in Surgeon.objects.filter(units=house.north.unit):
        factories.corrected(surgeon, name=f"@SUM(1+1)*{surgeon.code}")
    OwnDefinition.objects.update(name="+1+1")
    NamedCohort.objects.update(name="-1+1")


def _formulas(answer: Any) -> Iterator[str]:
    for row in csv.reader(io.StringIO(answer.content.decode())):
        for cell in row:
            if cell.startswith(("=", "+", "-", "@", "\t", "\r")) and not _is_number(cell):
                yield cell


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


# --- files ----------------------------------------------------------------------------------------


# The header of the part as a program may send it, and the name that is kept of it; None: no file at all.
NAMES = [
    ('filename="../../../etc/cron.d/x.csv"', "x.csv"),
    ('filename="..\\\\..\\\\x.csv"', "x.csv"),
    ('filename="C:\\\\notes\\\\x.csv"', "x.csv"),
    ('filename="/etc/passwd.csv"', "passwd.csv"),
    ('filename="&#46;&#46;&#47;&#46;&#46;&#47;x.csv"', "x.csv"),
    ("filename*=UTF-8''..%2f..%2fx.csv", "x.csv"),
    ("filename*=UTF-8''a%00b%0d%0ac.csv", "abc.csv"),
    ('filename="a\0b.csv"', "ab.csv"),
    ('filename="../.."', None),
    ('filename="/"', None),
    ('filename=""', None),
    (f'filename="{"long" * 100}.csv"', None),
]


@pytest.mark.parametrize(("said", "kept"), NAMES)
def test_the_name_of_a_file_is_a_text_and_no_path(house: House, said: str, kept: str | None) -> None:
    """It is kept sealed in the database: tests/registry/pages/test_intake_guarded.py."""
    # By hand: the test client sends the last part of a path alone.
    lines = ["--b", f'Content-Disposition: form-data; name="file"; {said}', "Content-Type: text/csv", ""]
    body = "\r\n".join([*lines, "Hospital no.;Sex;Side\nH 1;f;left\n", "--b--", ""]).encode()
    client, before = house.clients["surgeon"], set(Intake.objects.values_list("uuid", flat=True))
    with taken_back(client):
        answer = client.generic("POST", reverse("new_intake"), body, "multipart/form-data; boundary=b")
        begun = Intake.objects.exclude(uuid__in=before)
        assert answer.status_code == (422 if kept is None else 302)
        assert [intake.file_name for intake in begun] == ([] if kept is None else [kept])


def test_a_file_that_would_burst_is_refused_in_words_and_soon(house: House) -> None:
    laughs = '<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">'
    entities = f'<?xml version="1.0"?><!DOCTYPE x [{laughs}]><x>&b;</x>'.encode()
    outside = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]><x>&e;</x>'
    sheet = "xl/worksheets/sheet1.xml"
    huge = b'<worksheet><dimension ref="A1:XFD1048576"/><sheetData/></worksheet>'
    whole = workbook({"List": [["a"]]})
    bombs = {
        "zeros": zip_bomb(40 * MEGABYTE),
        "entities": repacked(whole, lambda name, part: entities if name == sheet else part),
        "outside": repacked(whole, lambda name, part: outside if name == sheet else part),
        "dimensions": repacked(whole, lambda name, part: huge if name == sheet else part),
        "quoted": b'"' + b"x" * 3 * MEGABYTE,
        "wide": b";" * 2 * MEGABYTE,
    }
    client = house.clients["surgeon"]
    for name, content in bombs.items():
        with taken_back(client):
            before, began = Intake.objects.count(), time.process_time()
            suffix = "csv" if name in ("quoted", "wide") else "xlsx"
            sent = {"file": SimpleUploadedFile(f"{name}.{suffix}", content)}
            answer = client.post(reverse("new_intake"), sent)
            assert answer.status_code == 422, name
            assert b"root:" not in answer.content
            assert Intake.objects.count() == before
            assert time.process_time() - began < 5, name


@pytest.mark.parametrize("depth", [13, 1_000, 100_000])
def test_json_without_end_is_refused(house: House, depth: int) -> None:
    """Sizes, names said twice and numbers that are none: tests/registry/api/test_problems.py."""
    headers = {**house.key("surgeon", *Scope), "Host": "localhost", "Idempotency-Key": "deep"}
    body = '{"knee":' * depth + "1" + "}" * depth
    client = house.clients["nobody"]
    with taken_back(client):
        answer = client.post("/api/v1/contacts/", body, content_type="application/json", headers=headers)
    assert answer.status_code in (400, 413)
