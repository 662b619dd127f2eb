"""No released byte tells who anybody is: a text planted in every field that could is searched in every byte.

Twenty random releases are made of a record in which every free-text and identifying field holds a canary and
every date is known. What is searched, and in what disguises, stands in searching.py; what is planted, in
planting.py.
"""

import io
import random
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from outcomes.naming import name_cohort
from outcomes.release import reading_followup
from outcomes.release.asked import Asked
from outcomes.release.making import make_package
from registry.access import Action, units_for
from registry.models import Unit, User
from tests.outcomes.release.asking import EVERY_ATTRIBUTE, asked
from tests.outcomes.release.planting import STEM, Planted, field_named, planted_record
from tests.outcomes.release.searching import dates_in, disguises, leaks, written
from tests.servers import SAID_AT_THE_END

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

PACKAGES = 20
SEED = 20261126
COHORTS = {
    "every repair": {"which": "all"},
    "first repairs": {},
    "medial": {"which": "all", "meniscus": "medial"},
    "since 2015": {"which": "all", "since": "2015-01-01"},
    "not augmented": {"which": "all", "augmentation": "none"},
}


@pytest.fixture
def coordinator(settings, tmp_path) -> User:
    settings.RELEASES_DIR = tmp_path / "releases"
    planted = planted_record()
    person = User.objects.filter(memberships__role="coordinator").distinct().get()
    for name, query in COHORTS.items():
        name_cohort(person, name, query)
    person.planted = planted
    return person


def request(chance: random.Random, units: list[Unit], number: int) -> Asked:
    """A release such as somebody might ask for."""
    name = chance.choice([*COHORTS])
    return asked(
        *units,
        project=f"study {number}",
        cohort_name=name,
        cohort=COHORTS[name],
        definition=chance.choice(["reoperation", "any"]),
        attributes=tuple(chance.sample([*EVERY_ATTRIBUTE, "unit", "surgeon"], chance.randint(2, 6))),
        year_years=chance.choice([1, 2, 5]),
        k=chance.choice([5, 7]),
        stata=chance.random() < 0.3,
    )


def test_no_byte_of_twenty_random_packages_tells_who_anybody_is(coordinator, record_property):
    chance = random.Random(SEED)  # noqa: S311 - repeatable, not secret
    units = list(units_for(coordinator, Action.RELEASE))
    searched, rows = 0, 0
    for number in range(PACKAGES):
        path, entry = make_package(request(chance, units, number), coordinator)
        package = Path(path).read_bytes()
        assert not leaks(package, coordinator.planted), f"package {number}"
        _no_date_or_time_in(package)
        searched += len(package) + _unpacked_size(package)
        rows += entry.said["rows"]["released"]
    assert rows > PACKAGES * 50
    fields, days = len(coordinator.planted.fields), len(coordinator.planted.dates)
    record_property(
        SAID_AT_THE_END,
        f"Canaries in {fields} fields, {days} dates and {len(coordinator.planted.keys)} keys: none in "
        f"{PACKAGES} packages of {searched:,} bytes with {rows:,} repairs.",
    )


def _no_date_or_time_in(package: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        for name in archive.namelist():
            if name.endswith(".parquet"):
                for field in pq.read_schema(io.BytesIO(archive.read(name))):
                    assert not pa.types.is_temporal(field.type), f"{name}: {field.name}"


def _unpacked_size(package: bytes) -> int:
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        return sum(each.file_size for each in archive.infolist())


def test_every_field_that_can_hold_text_holds_a_canary(coordinator):
    """A new field of text is planted by itself; one that is planted nowhere must be a list of codes."""
    planted: Planted = coordinator.planted
    assert len(planted.fields) > 40
    assert {name for name in planted.refused if not field_named(name).choices} == set()
    for text, name in planted.fields.items():
        model = field_named(name).model
        values = model._base_manager.values_list(name.split(".")[1], flat=True)
        assert any(text in str(value) for value in values) or name.endswith("_sealed"), name
    for identifying in (
        "Identity.family_name_sealed",
        "Surgeon.name",
        "Unit.name",
        "User.email",
        "Implant.lot",
    ):
        assert identifying in planted.fields.values()
    assert len(planted.dates) > 500
    assert len(planted.keys) > 1000


def test_a_canary_let_through_on_purpose_is_found(coordinator, monkeypatch):
    """The lot of an implant in place of how the tissue healed: the search names the field it came from."""
    lot = next(text for text, name in coordinator.planted.fields.items() if name == "Implant.lot")
    seen = reading_followup._classes
    monkeypatch.setattr(reading_followup, "_classes", lambda looks: [lot for _ in seen(looks)])
    monkeypatch.setattr("outcomes.release.reading.refuse_unknown", lambda tables: None)
    units = list(units_for(coordinator, Action.RELEASE))
    path, _ = make_package(asked(*units, attributes=("sex",)), coordinator)
    assert leaks(Path(path).read_bytes(), coordinator.planted) == {"Implant.lot"}


def as_csv(form: bytes) -> bytes:
    return _zipped("repairs.csv", b"repair,days\nabc," + form + b",12\n")


def as_parquet(form: bytes) -> bytes:
    table, file = pa.table({"repair": pa.array([form], pa.binary())}), io.BytesIO()
    pq.write_table(table, file, compression="zstd")
    return _zipped("repairs.parquet", file.getvalue())


def as_name(form: bytes) -> bytes:
    return _zipped(form.decode("latin-1"), b"")


def _zipped(name: str, content: bytes) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, content)
    return file.getvalue()


TEXT, DAY, KEY = f"{STEM}000", "1997-03-14", "0f8fad5b-d9cb-469f-a165-70867728950e"


@pytest.mark.parametrize("into", [as_csv, as_parquet])
@pytest.mark.parametrize("canary", [TEXT, DAY, KEY])
def test_the_search_finds_every_disguise(canary: str, into: Callable[[bytes], bytes]):
    """The search can fail: each disguise of a text, a date and a key, let into a file, is found."""
    planted = _planted()
    for name, form in disguises(canary).items():
        if into is as_csv or name not in ("gzip", "zlib"):
            assert leaks(into(form), planted), name
    assert not leaks(into(b"nothing of anybody"), planted)


def test_the_search_finds_a_date_however_it_is_written():
    planted = _planted()
    day = next(iter(planted.dates))
    for form, text in written(day).items():
        assert day in dates_in(text.lower().encode()), form
        assert leaks(as_csv(text.encode()[::-1]), planted), form
    assert leaks(_zipped(DAY, b""), planted)
    assert leaks(as_name(TEXT.encode()), planted) == {"Identity.given_names_sealed"}
    assert not dates_in(b"0.19970314 12319970314 1997-3 1.2.97")


def _planted() -> Planted:
    return Planted(
        {TEXT: "Identity.given_names_sealed"}, frozenset(), frozenset({date(1997, 3, 14)}), frozenset({KEY})
    )
