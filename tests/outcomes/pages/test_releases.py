"""Releases on the site: asked for, looked at, released, recalled, and those who withdraw afterwards.

The work runs here in the process of the test, inside its transaction; tests/browser/test_release.py goes the
real way, with a worker of its own.
"""

import hashlib
import io
import zipfile
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import time_machine
from django.conf import settings as django_settings
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from outcomes.models import LedgerEntry, LedgerKind, NamedCohort
from outcomes.models.release import JobState, ReleaseJob
from outcomes.naming import name_cohort
from outcomes.release import ledger, store, work
from outcomes.release.withdrawals import affected
from registry.models import EndOfFollowUp, Patient, Unit
from registry.recording import record
from registry.rights import given_out
from registry.rights.erasing import Request, erase
from tests import factories
from tests.conftest import Cast

pytestmark = pytest.mark.django_db

WORDS = {
    "project": "Zones",
    "purpose": "Failure by zone of the tear",
    "approval": "REC-2026-014",
    "recipient": "Institute of invented studies",
    "steward": "Data office, steward@example.org",
}
PATIENTS = 12


class House:
    """Northmere with twelve patients who allow research, a named cohort, and its coordinator's browser."""

    def __init__(self, cast: Cast) -> None:
        self.cast, self.unit = cast, cast.unit
        self.patients = [self._patient(number) for number in range(PATIENTS)]
        self.named: NamedCohort = name_cohort(cast.coordinator, "Everybody", {"which": "all"})
        self.client = cast.client("coordinator")

    def _patient(self, number: int) -> Patient:
        operated_on = factories.OPERATED_ON - timedelta(days=30 * number)
        knee = factories.a_knee(
            self.unit,
            sex="female" if number % 2 else "male",
            born_on=date(1990 + number % 3, 5, 17),
            research_permission="given",
            research_permission_on=operated_on,
        )
        operation = factories.an_operation(self.unit, self.cast.oak, knee, operated_on=operated_on)
        repair = factories.a_repair(operation)
        if number % 4 == 0:
            factories.a_failure(repair, 200 + number)
        else:
            factories.a_contact(repair, 800 + number)
        return knee.patient

    def typed(self, **changes: Any) -> dict[str, Any]:
        usual = {
            "cohort": f"{self.named.uuid}:1",
            "failure": "reoperation",
            "attributes": ["age", "sex"],
            "year_years": "0",
            "k": "5",
        }
        return {**usual, **WORDS, **changes}

    def prepared(self, **changes: Any) -> ReleaseJob:
        """A job as the form makes it, worked on until it is ready to be looked at or refused."""
        response = self.client.post(reverse("new_release"), self.typed(**changes))
        assert response.status_code == 302, response.context["form"].errors
        return ReleaseJob.objects.latest("pk")

    def released(self, **changes: Any) -> LedgerEntry:
        job = self.prepared(**changes)
        self.client.post(reverse("confirm_release_job", args=[job.uuid]))
        job.refresh_from_db()
        assert job.entry, job.told
        return job.entry

    def text(self, name: str, *keys: Any, **query: Any) -> str:
        response = self.client.get(reverse(name, args=keys), query)
        assert response.status_code == 200
        return str(response.content.decode())


@pytest.fixture
def house(cast: Cast, settings: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> House:
    settings.RELEASES_DIR = tmp_path / "releases"
    monkeypatch.setattr(work, "start", work.run)
    return House(cast)


def content(response: Any) -> bytes:
    return b"".join(response.streaming_content)


def squeezed(text: str) -> str:
    return " ".join(text.split())


# --- the way of a release ---------------------------------------------------------------------


def test_from_the_form_to_the_package(house: House) -> None:
    job = house.prepared()
    assert job.state == JobState.PREPARED
    preview = squeezed(house.text("release_job", job.uuid))
    for said in (
        "What would leave",
        "Age at the operation",
        "12",
        "Release it",
        "Drop it",
        "2 years",
        *WORDS.values(),
    ):
        assert said in preview
    assert not LedgerEntry.objects.exists()
    answer = house.client.post(reverse("confirm_release_job", args=[job.uuid]), follow=True)
    entry = LedgerEntry.objects.get()
    assert answer.request["PATH_INFO"] == reverse("release", args=[entry.uuid])
    package = house.client.get(reverse("release_package", args=[entry.uuid]))
    told = content(package)
    assert package.headers["Content-Disposition"] == f'attachment; filename="release-{entry.number}.zip"'
    assert hashlib.sha256(told).hexdigest() == entry.said["sha256"]
    report = house.client.get(reverse("release_report", args=[entry.uuid]))
    with zipfile.ZipFile(io.BytesIO(told)) as files:
        assert report.content == files.read("disclosure-report.html")
        repairs = pd.read_csv(files.open("repairs.csv"), dtype=str, keep_default_na=False)
    assert repairs["patient"].nunique() == PATIENTS
    assert repairs.groupby(["age", "sex"])["patient"].nunique().min() >= 5
    page = squeezed(house.text("release", entry.uuid))
    for said in (*WORDS.values(), entry.said["sha256"], entry.own_hash, "Everybody, version 1"):
        assert said in page


def test_the_ledger_lists_it_and_proves_itself(house: House) -> None:
    entry = house.released()
    page = squeezed(house.text("releases"))
    for said in (
        f"No. {entry.number}",
        "Released",
        "Zones",
        "Institute of invented studies",
        entry.said["sha256"][:12],
    ):
        assert said in page
    assert "In hand" not in page
    assert "The ledger holds." in house.text("releases", verify="yes")
    path = store.path_of(entry)
    assert path
    path.write_bytes(b"something else")
    assert "does not prove itself: 1 problem" in squeezed(house.text("releases", verify="yes"))


def test_what_is_dropped_leaves_nothing(house: House) -> None:
    job = house.prepared()
    house.client.post(reverse("cancel_release_job", args=[job.uuid]))
    job.refresh_from_db()
    assert job.state == JobState.CANCELLED
    assert not LedgerEntry.objects.exists()
    assert not list(Path(store.folder()).rglob("*.zip"))
    assert "Nothing was released" in house.text("release_job", job.uuid)
    assert "In hand" not in house.text("releases")


def test_what_cannot_hide_its_people_is_refused_and_can_be_asked_anew(house: House) -> None:
    job = house.prepared(k="100", attributes=["age", "sex", "side"])
    assert job.state == JobState.REFUSED
    page = house.text("release_job", job.uuid)
    assert job.told
    assert job.told.split("\n")[0][:40] in page.replace("&#x27;", "'")
    assert "Release it" not in page
    anew = house.text("new_release", **{"from": job.uuid})
    for said in (
        'value="100"',
        'value="Zones"',
        f'value="{house.named.uuid}:1" selected',
        'value="side" id=',
    ):
        assert said in anew
    assert "Refused" in house.text("releases")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"purpose": " "}, "Purpose is missing. Enter it."),
        ({"approval": ""}, "Approval reference is missing. Enter it."),
        ({"steward": ""}, "data steward is missing. Enter it."),
        ({"k": "2"}, "2 is below 3. Enter 3 or more."),
        ({"k": "5", "project": "x" * 61}, "at most 60 characters"),
        ({"cohort": "nothing:1"}, "is none of the cohorts you may release"),
        ({"failure": "own-7"}, "own-7 is not one of the available choices"),
        ({"attributes": ["hospital_number"]}, "hospital_number is not one of the available choices"),
    ],
)
def test_a_form_that_lacks_something_says_what(house: House, changes: dict[str, Any], words: str) -> None:
    response = house.client.post(reverse("new_release"), house.typed(**changes))
    assert response.status_code == 422
    assert words in response.content.decode().replace("&#x27;", "'")
    assert not ReleaseJob.objects.exists()


def test_no_number_below_what_the_unit_shows(house: House) -> None:
    factories.corrected(Unit.objects.get(pk=house.unit.pk), smallest_count_shown=8)
    response = house.client.post(reverse("new_release"), house.typed(k="7"))
    assert response.status_code == 422
    assert "Enter 8 or more." in response.content.decode()
    assert not ReleaseJob.objects.exists()


def test_the_form_says_what_it_opens_on(house: House) -> None:
    page = squeezed(house.text("new_release", cohort=house.named.uuid, version=1))
    assert "Repairs, primary and revision at Northmere Hospital." in page
    # The cast's own repair is of a patient who was not asked.
    assert "Today 13 repairs, of which 12 of patients who allow research." in page
    assert "5-year bands, then 10-year bands, then 20-year bands" in page
    NamedCohort.objects.all().delete()
    assert "There is no cohort that you may release yet." in squeezed(house.text("new_release"))


def test_what_was_released_before_the_ledger_was_chained_is_told(house: House) -> None:
    content = {
        **{name: WORDS[name] for name in ("project", "purpose", "approval")},
        "units": ["northmere"],
        "cohort": {"sentence": "Primary repairs at Northmere Hospital."},
        "definition": "reoperation",
        "rows": {"in_cohort": 30, "permitted": 20, "suppressed": 1, "released": 19},
        "smallest_class": 6,
        "sha256": "0" * 64,
        "note": "Its package was handed over and not kept.",
    }
    entry = ledger.write(LedgerKind.ROWS, house.cast.coordinator, content)
    assert "Package not kept" in house.text("releases")
    page = squeezed(house.text("release", entry.uuid))
    for said in ("Primary repairs at Northmere Hospital.", "Its package was handed over and not kept.", "19"):
        assert said in page
    assert "Download the package" not in page
    factories.corrected(house.patients[0], research_permission="refused")
    assert "Cannot tell." in house.text("withdrawn_permissions")


# --- work in hand -----------------------------------------------------------------------------


def job_at(house: House, state: JobState, **fields: Any) -> ReleaseJob:
    job = house.prepared()
    ReleaseJob.objects.filter(pk=job.pk).update(state=state, **fields)
    job.refresh_from_db()
    return job


def test_progress_is_a_bar_that_asks_again_with_and_without_script(house: House) -> None:
    job = job_at(house, JobState.PREPARING, step="Reading repairs", done=3, total=12, beat_at=timezone.now())
    page = squeezed(house.text("release_job", job.uuid))
    for said in (
        '<progress aria-labelledby="work-step" value="3" max="12">',
        "Reading repairs: 3 of 12",
        ">Look again</a> </noscript>",
        'hx-trigger="every 2s"',
    ):
        assert said in page
    assert "Go on" not in page
    assert "Being prepared" in house.text("releases")


def test_silent_work_can_be_taken_up(house: House) -> None:
    job = job_at(house, JobState.PREPARING, beat_at=timezone.now() - timedelta(minutes=2), worker="gone")
    assert "Nothing was heard of this work" in house.text("release_job", job.uuid)
    house.client.post(reverse("go_on_release_job", args=[job.uuid]))
    job.refresh_from_db()
    assert job.state == JobState.PREPARED


def test_the_bar_brings_the_whole_page_when_the_work_is_done(house: House) -> None:
    job = house.prepared()
    answer = house.client.get(reverse("release_job", args=[job.uuid]), headers={"HX-Request": "true"})
    assert answer.headers["HX-Refresh"] == "true"


# --- recall -----------------------------------------------------------------------------------


def test_a_recall_needs_a_reason_and_closes_the_download(house: House) -> None:
    entry = house.released()
    address = reverse("release", args=[entry.uuid])
    assert house.client.post(address, {"reason": " "}).status_code == 422
    assert content(house.client.get(reverse("release_package", args=[entry.uuid])))
    answer = house.client.post(address, {"reason": "Wrong version of the cohort"}, follow=True)
    page = squeezed(answer.content.decode())
    assert "Wrong version of the cohort" in page
    assert "Download the package" not in page
    for name in ("release_package", "release_report"):
        assert house.client.get(reverse(name, args=[entry.uuid])).status_code == 404
    assert "Recalled" in house.text("releases")
    assert house.client.post(address, {"reason": "Again"}).status_code == 422
    assert LedgerEntry.objects.filter(kind=LedgerKind.RECALL).count() == 1


@pytest.mark.parametrize("name", ["release_package", "release_report"])
def test_what_is_handed_out_asks_who_one_is_first(house: House, name: str) -> None:
    address = reverse(name, args=[house.released().uuid])
    assert handed_out(house, address)
    with time_machine.travel(timezone.now() + django_settings.CONFIRM_WITHIN):
        assert house.client.get(address).headers["Location"].startswith("/confirm/")
        then = {"confirm-password": factories.PASSWORD, "next": address}
        assert house.client.post("/confirm/", then).headers["Location"] == address
        assert handed_out(house, address)


def handed_out(house: House, address: str) -> bytes:
    answer: Any = house.client.get(address)
    assert answer.status_code == 200
    return bytes(answer.getvalue())  # which closes the file as well


# --- permission withdrawn after a release -----------------------------------------------------


def test_nobody_withdrew(house: House) -> None:
    house.released()
    assert "Nobody has withdrawn from a release of your units." in house.text("withdrawn_permissions")


def test_who_withdrew_is_told_by_pseudonym_and_written_about_once(house: House) -> None:
    entry = house.released()
    other = house.released(project="Another project")
    first, second = house.patients[:2]
    factories.corrected(first, research_permission="withdrawn", research_permission_on=date(2025, 1, 1))
    record(EndOfFollowUp(patient=second, ended_on=date(2025, 2, 1), reason="withdrew"))
    found = affected(Unit.objects.filter(pk=house.unit.pk))
    by_release = {each: {one.pseudonym for one in found if one.entry == each} for each in (entry, other)}
    assert [len(names) for names in by_release.values()] == [2, 2]
    assert not by_release[entry] & by_release[other]
    page = house.text("withdrawn_permissions")
    assert all(name in page for name in by_release[entry] | by_release[other])
    for patient in (first, second):
        assert str(patient.uuid) not in page
    answer = house.client.post(reverse("make_release_letter", args=[entry.uuid]), follow=True)
    letter = LedgerEntry.objects.get(kind=LedgerKind.LETTER)
    assert set(letter.said["pseudonyms"]) == by_release[entry]
    words = squeezed(answer.content.decode())
    for said in (
        WORDS["steward"],
        WORDS["recipient"],
        entry.said["sha256"],
        "2 patients in it have withdrawn",
    ):
        assert said in words
    assert all(name in words for name in by_release[entry])
    again = house.client.post(reverse("make_release_letter", args=[entry.uuid]), follow=True)
    assert "no letter was made yet" in again.content.decode()
    assert LedgerEntry.objects.filter(kind=LedgerKind.LETTER).count() == 1
    assert all(one.letter == letter for one in affected(Unit.objects.all()) if one.entry == entry)


def test_who_was_erased_is_told_though_no_row_of_theirs_is_left(house: House, cast: Cast) -> None:
    entry = house.released()
    patient, stays = house.patients[:2]
    asked = {"unit": house.unit, "by": cast.administrator, "asked_on": date(2026, 1, 5), "reason": "asked"}
    (held,) = given_out.of(patient.uuid)
    assert (held.number, held.recipient, held.recalled) == (entry.number, WORDS["recipient"], False)
    erase(Request(patient, **asked, everything=True))
    assert not Patient.ever.filter(uuid=patient.uuid).exists()
    assert erase(Request(stays, **asked)).keeps_outcome
    (told,) = affected(Unit.objects.filter(pk=house.unit.pk))
    assert (told.entry, told.pseudonym, told.withdrawn_on_known) == (entry, held.pseudonym, True)
    assert held.pseudonym in house.text("withdrawn_permissions")
    assert affected(Unit.objects.filter(pk=cast.other_unit.pk)) == []


def test_a_recalled_release_is_still_told_of(house: House) -> None:
    """The recipient may hold a copy."""
    entry = house.released()
    house.client.post(reverse("release", args=[entry.uuid]), {"reason": "Wrong version"})
    factories.corrected(house.patients[0], research_permission="refused")
    assert [each.cannot_tell for each in affected(Unit.objects.all())] == [""]


def test_a_lost_package_or_key_is_said(house: House, settings: Any) -> None:
    entry = house.released()
    factories.corrected(house.patients[0], research_permission="refused")
    path = store.path_of(entry)
    assert path
    whole = path.read_bytes()
    path.unlink()
    assert "Cannot tell. Its package is not in the store" in house.text("withdrawn_permissions")
    path.write_bytes(whole)
    settings.RELEASE_KEYS = ["another key, as long as thirty-two characters"]
    assert "Cannot tell." in house.text("withdrawn_permissions")


# --- whose ------------------------------------------------------------------------------------


def test_a_release_of_two_units_is_shown_to_who_releases_from_both(house: House, cast: Cast) -> None:
    both = factories.a_person("both", ("coordinator", cast.unit), ("coordinator", cast.other_unit))
    named = name_cohort(both, "Of both", {})
    client = Client()
    client.force_login(both)
    client.post(reverse("new_release"), house.typed(cohort=f"{named.uuid}:1"))
    job = ReleaseJob.objects.get()
    assert set(job.asked["units"]) == {"northmere", "southmere"}
    assert house.client.get(reverse("release_job", args=[job.uuid])).status_code == 404
    assert "Zones" not in house.text("releases")
    assert client.post(reverse("confirm_release_job", args=[job.uuid])).status_code == 302
    entry = LedgerEntry.objects.get()
    assert client.get(reverse("release", args=[entry.uuid])).status_code == 200
    for name in ("release", "release_package", "release_report"):
        assert house.client.get(reverse(name, args=[entry.uuid])).status_code == 404
    assert f"No. {entry.number}" not in house.text("releases")


def test_the_page_asks_as_much_for_many_releases_as_for_few(house: House) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as asked:
            house.text("releases")
        return len(asked)

    house.released()
    house.prepared()
    few = queries()
    house.released()
    house.prepared()
    assert queries() == few
