"""The eighteen identifiers of 45 CFR 164.514(b)(2)(i)(A)-(R): where each lives, and that none leaves.

Each line of the table names its fields, so that a renamed one fails here, and why they cannot leave. They
hold canaries (planting.py) when a package is made, and none is in it. Of those that the record has no place
for, no field may be named.
"""

import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from django.db import connection, models
from django.test.utils import CaptureQueriesContext

from outcomes.naming import name_cohort
from outcomes.release.bands import age_band
from outcomes.release.columns import COLUMNS
from outcomes.release.frozen import REPAIRS
from outcomes.release.making import make_package
from outcomes.release.pseudonyms import Pseudonyms
from outcomes.release.reading import read_tables
from registry.access import Action, units_for
from registry.models import User
from tests.outcomes.release.asking import asked
from tests.outcomes.release.planting import every_model, field_named, planted_record
from tests.outcomes.release.searching import leaks

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]


@dataclass(frozen=True)
class Identifier:
    """One of the eighteen: its fields in the record, or the words that no field may be named by."""

    letter: str
    what: str
    fields: tuple[str, ...]
    why: str
    words: str = ""


NOT_READ = "Its table is not among those that are read."
NO_PLACE = "The record has no place for it."
EIGHTEEN = (
    Identifier(
        "A",
        "Names",
        (
            *("Identity.given_names_sealed", "Identity.family_name_sealed", "Surgeon.name"),
            *("User.first_name", "User.last_name", "Intake.file_sealed", "Intake.report_sealed"),
        ),
        NOT_READ,
    ),
    Identifier(
        "B",
        "Geographic subdivisions smaller than a state",
        ("Unit.name", "Unit.code", "Unit.time_zone", "PatientReport.where_sealed"),
        "A unit leaves as a pseudonym, and only when asked for; no other place is read.",
        r"street|city|county|postal|postcode|\bzip\b|district|\bgeo|latitude|longitude",
    ),
    Identifier(
        "C",
        "Dates but the year, and ages over 89",
        ("Patient.born_on", "Patient.died_on", "IndexProcedure.operated_on", "Visit.seen_on"),
        "The database counts days before anything is read; years leave in bands, ages open from 60.",
    ),
    Identifier("D", "Telephone numbers", ("Identity.phone_sealed",), NOT_READ),
    Identifier("E", "Fax numbers", (), NO_PLACE, r"fax"),
    Identifier("F", "Email addresses", ("Identity.email_sealed", "User.email"), NOT_READ),
    Identifier("G", "Social security numbers", (), NO_PLACE, r"social|\bssn\b|national"),
    Identifier(
        "H",
        "Medical record numbers",
        ("Identity.hospital_number_sealed", "Identity.hospital_number_index"),
        NOT_READ,
    ),
    Identifier("I", "Health plan beneficiary numbers", (), NO_PLACE, r"insur|beneficiary|payer|policy"),
    Identifier("J", "Account numbers", ("User.username", "User.password", "Surgeon.code"), NOT_READ),
    Identifier("K", "Certificate and licence numbers", (), NO_PLACE, r"licen|certificate"),
    Identifier("L", "Vehicle identifiers", (), NO_PLACE, r"vehicle|plate\b|registration"),
    Identifier(
        "M",
        "Device identifiers and serial numbers",
        (
            *("Implant.device_identifier", "Implant.lot", "Implant.serial"),
            *("LotLookUp.device_identifier", "LotLookUp.lot"),
        ),
        NOT_READ,
    ),
    Identifier("N", "Addresses on the web", ("Draft.page", "PatientLink.uuid"), NOT_READ, r"\burl\b|website"),
    Identifier("O", "Internet protocol addresses", ("KnockCount.address_index",), NOT_READ, r"\bip\b"),
    Identifier("P", "Biometric identifiers", (), NO_PLACE, r"finger|voice|retina|iris|gait"),
    Identifier("Q", "Full-face photographs", (), NO_PLACE, r"photo|image\b|picture|video|\bface"),
    Identifier(
        "R",
        "Any other unique number, characteristic or code",
        (
            *("Patient.uuid", "Knee.uuid", "IndexProcedure.uuid", "Tear.uuid", "SoftAnswer.answer"),
            *("ScoreResponse.items", "PatientReport.what_sealed", "PatientReport.no_reoperation_because"),
            *("Correction.reason", "Correction.before", "Message.problem", "IdentityView.reason"),
        ),
        "Only pseudonyms leave, as 164.514(c) lets them: worthless without the key. Free text is not read.",
    ),
)
# Of whoever signs in, never of a patient; their tables are not read.
ADDRESSES_OF_STAFF = {"BrowserSession.address", "AccountEvent.address"}
# All that a release reads. Contacts and reports tell until when a knee was known well.
TABLES_READ = {
    *("unit", "patient", "knee", "indexprocedure", "tear", "repair", "suturepass", "endoffollowup"),
    *("visit", "scoreresponse", "secondlook", "secondlookfinding", "reoperation", "reoperationontear"),
    *("imaging", "imagingfinding", "contact", "patientreport"),
}


@pytest.fixture
def record(settings, tmp_path):
    """A planted record and its coordinator."""
    settings.RELEASES_DIR = tmp_path / "releases"
    planted = planted_record()
    person = User.objects.filter(memberships__role="coordinator").distinct().get()
    name_cohort(person, "every repair", {"which": "all"})
    return planted, person


def test_none_of_the_eighteen_leaves(record):
    planted, person = record
    units = units_for(person, Action.RELEASE)
    wanted = asked(*units, definition="any", attributes=("age", "sex", "year", "unit"), stata=True)
    path, entry = make_package(wanted, person)
    found = leaks(Path(path).read_bytes(), planted)
    assert entry.said["rows"]["released"] > 50
    for identifier in EIGHTEEN:
        assert not found & set(identifier.fields), f"({identifier.letter}) {identifier.what}"
        _stands_where_it_is_said_to(identifier, planted)
    assert not found
    _columns_and_tables_are_none_of_them(wanted, units)


def _stands_where_it_is_said_to(identifier, planted):
    for name in identifier.fields:
        field = field_named(name)
        known = field.model._base_manager.filter(**{f"{field.name}__isnull": False})
        if isinstance(field, models.UUIDField):
            assert str(known.values_list(field.name, flat=True)[0]) in planted.keys
        elif isinstance(field, models.DateField):
            assert known.values_list(field.name, flat=True)[0] in planted.dates
        else:
            assert name in planted.fields.values()


def _columns_and_tables_are_none_of_them(wanted, units):
    """What is read comes from the tables of TABLES_READ, and no text column of an identifier is named."""
    with CaptureQueriesContext(connection) as caught:
        tables = read_tables(wanted, units, Pseudonyms("k" * 32, "zones"), lambda *_: None).tables
    asked_for = "\n".join(query["sql"] for query in caught)
    read = set(re.findall(r'"registry_(\w+?)"', asked_for))
    assert {"repair", "visit", "scoreresponse"} <= read <= TABLES_READ | {"membership"}
    for name in (name for identifier in EIGHTEEN for name in identifier.fields):
        field = field_named(name)
        column = f'"{field.model._meta.db_table}"."{field.column}"'
        # Dates are counted from, keys made pseudonyms, and units found by their codes.
        if not isinstance(field, models.DateField | models.UUIDField) and not name.startswith("Unit."):
            assert column not in asked_for, name
    assert not any(
        table.select_dtypes(["datetime", "datetimetz", "timedelta"]).size for table in tables.values()
    )


def test_the_table_has_all_eighteen_each_with_its_place_or_without_one():
    assert [identifier.letter for identifier in EIGHTEEN] == [*"ABCDEFGHIJKLMNOPQR"]
    assert all(bool(identifier.fields) != (identifier.why == NO_PLACE) for identifier in EIGHTEEN)
    assert all(identifier.fields or identifier.words for identifier in EIGHTEEN)


def test_no_field_of_the_record_holds_what_it_has_no_place_for():
    carriers = (models.FileField, models.BinaryField, models.URLField, models.GenericIPAddressField)
    named = set()
    for model in every_model():
        for field in model._meta.concrete_fields:
            name = f"{model.__name__}.{field.name}"
            kept_apart = field.name.endswith("_sealed") or name in ADDRESSES_OF_STAFF
            assert kept_apart or not isinstance(field, carriers), name
            named.add(field.name.replace("_", " "))
    for identifier in EIGHTEEN:
        if identifier.words:
            found = {name for name in named if re.search(identifier.words, name)}
            assert not found, f"({identifier.letter}) {identifier.what}"
    released = {column.name for columns in COLUMNS.values() for column in columns}
    assert not {
        name for name in released if re.search(r"_on$|_at$|date|name|lot|serial|uuid|email|phone", name)
    }


def test_no_age_over_89_is_told():
    assert {age_band(years) for years in range(60, 130)} == {"60_and_over"}
    (age,) = (column for column in COLUMNS[REPAIRS] if column.name == "age")
    first_years = [int(years) for code in age.allowed for years in re.findall(r"\d+", code)]
    assert max(first_years) == 60


def test_a_pseudonym_cannot_be_made_without_the_key():
    """45 CFR 164.514(c)(1): not derived from information about the individual, nor to be translated."""
    true, guessed = (Pseudonyms(key * 32, "zones").of("patient", 1) for key in "ab")
    assert true != guessed
    assert len(true) == 26
