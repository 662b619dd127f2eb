"""No released byte tells who anybody is: all that identifies is looked for in every byte of the package.

The demo's names are improbable in any language, so finding one can only mean that it got out.
"""

import base64
import csv
import io
import zipfile
from collections.abc import Iterator
from datetime import date

import pytest

from outcomes.cohort import Cohort
from outcomes.failure import ANY
from outcomes.release.making import Request, make_release
from registry.access import Action, units_for
from registry.demo.cast import Cast as DemoCast
from registry.demo.load import load
from registry.demo.scenario import generate
from registry.demo.truth import Truth
from registry.models import Identity, IndexProcedure, Patient, Reoperation, Surgeon, Tear, Unit, User, Visit

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

UNTIL = date(2026, 6, 1)


@pytest.fixture
def released():
    """The package of every permitted repair of a small demo."""
    load(generate(900, 7, UNTIL, Truth.read()), DemoCast.read(), UNTIL, lambda username: "elder-crescent-93")
    coordinator = User.objects.get(username="coordinator")
    units = units_for(coordinator, Action.RELEASE)
    package, entry = make_release(
        Request(coordinator, units, Cohort(which="all"), ANY, "canary", "show that nobody is in it", "none")
    )
    assert entry.rows_released > 700
    return package


def identifying() -> set[str]:
    """Every identity, name, account, key and address of the record, as text."""
    found: set[str] = set()
    for identity in Identity.objects.select_related("patient"):
        found |= set(identity.opened().values())
        found |= {identity.hospital_number_index, identity.hospital_number_sealed, identity.email_sealed}
    for patient in Patient.objects.all():
        found |= _ways_to_write(patient.uuid)
    for tear in Tear.objects.all():
        found |= _ways_to_write(tear.uuid)
    found |= {surgeon.name for surgeon in Surgeon.objects.all()}
    found |= {name for unit in Unit.objects.all() for name in (unit.name, unit.code)}
    found |= {text for user in User.objects.all() for text in (user.username, user.email) if "." in text}
    return found - {""}


def _ways_to_write(uuid) -> set[str]:
    return {str(uuid), uuid.hex, str(uuid)[:8]}


def dates() -> set[date]:
    """Every date of the record that belongs to somebody."""
    fields = [
        (Patient, "born_on"),
        (Patient, "died_on"),
        (IndexProcedure, "operated_on"),
        (IndexProcedure, "injured_on"),
        (Visit, "seen_on"),
        (Reoperation, "operated_on"),
    ]
    found = {day for model, name in fields for day in model.objects.values_list(name, flat=True)}
    return found - {None}


def disguises(text: str) -> Iterator[bytes]:
    """A text as it could hide: plain, lower, backwards, hexadecimal, base64 at each of its alignments."""
    raw = text.encode()
    yield from (raw, raw.lower(), raw[::-1], raw.hex().encode())
    for shift in range(3):
        # Cut what depends on the neighbours, so that the middle is found wherever the text stands.
        yield base64.b64encode(bytes(shift) + raw).rstrip(b"=")[4 if shift else 0 : -2]


def written_dates(day: date) -> Iterator[str]:
    """A date in the ways people write it. The basic format of eight digits would meet numbers by chance."""
    yield from (day.isoformat(), day.strftime("%d-%m-%Y"), day.strftime("%d.%m.%Y"), day.strftime("%d/%m/%Y"))
    yield from (day.strftime("%m/%d/%Y"), day.strftime("%Y/%m/%d"), day.strftime("%d %b %Y"))


def leaks(package: bytes, canaries: set[str]) -> set[str]:
    """The canaries found in any byte of the package or of a member of it."""
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        members = [archive.read(name) for name in archive.namelist()]
        names = "\n".join(archive.namelist()).encode()
    searched = b"\0".join([package, names, archive.comment, *members])
    return {canary for canary in canaries for form in disguises(canary) if form in searched}


def test_no_released_byte_tells_who_anybody_is(released):
    canaries = {text for text in identifying() if len(text) >= 5}
    assert len(canaries) > 2000
    assert not leaks(released, canaries)


def test_no_released_byte_holds_a_date_of_anybodys(released):
    days = dates()
    assert len(days) > 1000
    assert not leaks(released, {text for day in days for text in written_dates(day)})


def test_the_rows_are_those_of_permitted_patients_only(released):
    with zipfile.ZipFile(io.BytesIO(released)) as archive:
        rows = list(csv.DictReader(io.TextIOWrapper(archive.open("repairs.csv"))))
    permitted = Patient.objects.filter(
        research_permission="given", knees__procedures__tears__repair__isnull=False
    )
    assert len({row["patient"] for row in rows}) <= permitted.distinct().count()
    assert Patient.objects.exclude(research_permission="given").exists()


@pytest.mark.parametrize("disguise", range(7))
def test_the_search_finds_a_canary_let_out_on_purpose(disguise):
    """The search can fail: each disguise of a name, planted in a member, is found."""
    form = list(disguises("Zwaxvreemlk"))[disguise]
    leaky = io.BytesIO()
    with zipfile.ZipFile(leaky, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("repairs.csv", b"repair,days\nabc," + form + b"\n")
    assert leaks(leaky.getvalue(), {"Zwaxvreemlk"}) == {"Zwaxvreemlk"}
