"""A release is gated, pseudonymous, in days, without small classes, and the same when made again."""

import csv
import io
import json
import zipfile
from datetime import timedelta
from hashlib import sha256

import pytest
from django.conf import settings
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.management import CommandError, call_command
from django.urls import reverse

from outcomes.cohort import Cohort
from outcomes.estimators.survival import kaplan_meier
from outcomes.failure import REOPERATION
from outcomes.models import ReleaseEntry
from outcomes.release.columns import NAMES, SMALLEST_CLASS
from outcomes.release.making import Request, make_release
from outcomes.release.pseudonyms import SHORT_BITS, Pseudonyms
from outcomes.release.rows import ReleaseRefusedError
from outcomes.survival import survival_results
from registry.models import EndOfFollowUp, Unit
from registry.recording import record
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def asked(cast):
    """Ask for a release of the cast's unit."""

    def ask(**changes):
        fields = {
            "by": cast.coordinator,
            "units": Unit.objects.filter(pk=cast.unit.pk),
            "cohort": Cohort(which="all"),
            "definition": REOPERATION,
            "project": "zones",
            "purpose": "failure by zone",
            "approval": "REC-1",
        }
        return make_release(Request(**{**fields, **changes}))

    return ask


@pytest.fixture
def six(cast):
    """Six permitted repairs of one surgeon, two failed; the cast's own patient was not asked."""
    for number in range(6):
        knee = factories.a_knee(
            cast.unit, research_permission="given", research_permission_on=factories.OPERATED_ON
        )
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak, knee))
        (factories.a_failure if number < 2 else factories.a_contact)(repair, 300 + number)


def members(package):
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def table(package):
    return list(csv.DictReader(io.StringIO(members(package)["repairs.csv"].decode())))


def test_only_permitted_rows_leave_and_the_counts_say_so(asked, six):
    package, entry = asked()
    counts = json.loads(members(package)["manifest.json"])["counts"]
    assert counts == {"in_cohort": 7, "permitted": 6, "suppressed": 0, "released": 6}
    assert len(table(package)) == 6
    assert (entry.rows_in_cohort, entry.rows_permitted, entry.rows_released) == (7, 6, 6)


@pytest.mark.parametrize("permission", ["refused", "withdrawn", "not_asked"])
def test_a_patient_who_did_not_permit_is_not_in(cast, asked, six, permission):
    given_on = None if permission == "not_asked" else factories.OPERATED_ON
    knee = factories.a_knee(cast.unit, research_permission=permission, research_permission_on=given_on)
    repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak, knee))
    pseudonym = Pseudonyms(settings.RELEASE_KEY, "zones").of("repair", repair.tear.uuid)
    assert pseudonym not in {row["repair"] for row in table(asked()[0])}


def test_nobody_permitted_is_refused_with_the_reason(asked):
    with pytest.raises(ReleaseRefusedError, match="None of the 1 repairs may be released"):
        asked()
    assert not ReleaseEntry.objects.exists()


def test_columns_are_those_of_the_codebook(asked, six):
    files = members(asked()[0])
    codebook = list(csv.DictReader(io.StringIO(files["codebook.csv"].decode())))
    assert tuple(row["name"] for row in codebook) == NAMES
    assert tuple(table(asked()[0])[0]) == NAMES


def test_values_are_among_those_the_codebook_allows(asked, six):
    package, _ = asked()
    codebook = csv.DictReader(io.StringIO(members(package)["codebook.csv"].decode()))
    coded = {row["name"]: row["allowed"].split() for row in codebook if row["type"] in ("code", "0/1")}
    assert coded
    for row in table(package):
        for name, allowed in coded.items():
            assert row[name] in allowed


def test_survival_from_the_package_equals_the_registrys_for_the_same_rows(cast, asked, six):
    rows = table(asked()[0])
    released = kaplan_meier([int(row["days"]) for row in rows], [row["failed"] == "1" for row in rows])
    overall = survival_results(Cohort(which="all"), Unit.objects.filter(pk=cast.unit.pk), REOPERATION)[
        0
    ].overall
    # The one patient who did not permit has no follow-up: censored on day 0, outside every risk set.
    assert released.survival == overall.curve.survival[1:]
    assert released.time == overall.curve.time[1:]


def test_made_again_it_is_the_same_byte_for_byte(asked, six):
    (first, entry), (second, again) = asked(), asked()
    assert first == second
    assert entry.sha256 == again.sha256 == sha256(first).hexdigest()


def test_the_manifest_carries_each_files_hash(asked, six):
    files = members(asked()[0])
    manifest = json.loads(files.pop("manifest.json"))
    assert manifest["sha256"] == {name: sha256(content).hexdigest() for name, content in files.items()}


def test_another_project_shares_no_pseudonym(asked, six):
    def names(package):
        return {row[column] for row in table(package) for column in ("repair", "patient")}

    assert not names(asked()[0]) & names(asked(project="ramps")[0])


def test_pseudonyms_do_not_collide_and_carry_128_bits():
    pseudonyms = Pseudonyms("k" * 32, "zones")
    names = {pseudonyms.of("patient", number) for number in range(10_000)}
    assert len(names) == 10_000
    assert {len(name) for name in names} == {26}


def test_surgeons_and_units_keep_their_pseudonym_when_others_join():
    names = [Pseudonyms("k" * 32, "zones").of("surgeon", number, SHORT_BITS) for number in range(40)]
    assert len(set(names)) == 40
    assert {len(name) for name in names} == {8}
    assert names[7] == Pseudonyms("k" * 32, " Zones ").of("surgeon", 7, SHORT_BITS)


def test_two_repairs_of_one_patient_hide_nobody(cast, asked):
    for _ in range(4):
        knee = factories.a_knee(
            cast.unit, research_permission="given", research_permission_on=factories.OPERATED_ON
        )
        procedure = factories.an_operation(cast.unit, cast.oak, knee)
        factories.a_repair(procedure)
        factories.a_repair(procedure, meniscus="lateral")
    with pytest.raises(ReleaseRefusedError, match="8 of 8 rows share"):
        asked()


def test_the_units_own_limit_holds_too(cast, asked, six):
    factories.corrected(cast.unit, smallest_count_shown=20)
    with pytest.raises(ReleaseRefusedError, match="fewer than 19 other patients"):
        asked()


def test_who_withdrew_from_follow_up_is_left_out(cast, asked, six):
    knee = factories.a_knee(
        cast.unit, research_permission="given", research_permission_on=factories.OPERATED_ON
    )
    factories.a_repair(factories.an_operation(cast.unit, cast.oak, knee))
    assert len(table(asked()[0])) == 7
    record(EndOfFollowUp(patient=knee.patient, ended_on=factories.OPERATED_ON, reason="withdrew"))
    assert len(table(asked()[0])) == 6


def test_a_class_too_small_is_suppressed_or_refused(cast, asked, six):
    def add(n):
        for _ in range(n):
            knee = factories.a_knee(
                cast.unit, research_permission="given", research_permission_on=factories.OPERATED_ON
            )
            factories.a_repair(factories.an_operation(cast.unit, cast.oak, knee))

    rare = factories.a_knee(
        cast.unit, research_permission="given", research_permission_on=factories.OPERATED_ON
    )
    factories.a_repair(factories.an_operation(cast.unit, cast.oak, rare, acl="staged"))
    with pytest.raises(ReleaseRefusedError, match="1 of 7 rows share unit, surgeon, ligament"):
        asked()
    add(14)
    package, entry = asked()  # 1 of 21 is under five per cent
    assert entry.rows_suppressed == 1
    assert entry.smallest_class >= SMALLEST_CLASS
    assert {row["ligament"] for row in table(package)} == {"none"}


@pytest.mark.parametrize("missing", ["project", "purpose", "approval"])
def test_a_release_needs_its_reasons(asked, six, missing):
    with pytest.raises(ValidationError, match=missing):
        asked(**{missing: " "})


def test_only_a_coordinator_of_every_unit_asked_for_may_release(cast, asked, six):
    with pytest.raises(PermissionDenied):
        asked(by=cast.surgeon)
    with pytest.raises(PermissionDenied):
        asked(units=Unit.objects.all())
    with pytest.raises(PermissionDenied):
        asked(units=Unit.objects.none())
    assert not ReleaseEntry.objects.exists()


def test_the_page_gives_the_package_and_keeps_the_ledger(cast, six):
    client = cast.client("coordinator")
    form = {
        "project": "zones",
        "purpose": "failure by zone",
        "approval": "REC-1",
        "units": [cast.unit.pk],
        "which": "all",
        "failure": "reoperation",
    }
    response = client.post(reverse("releases"), form)
    assert response["Content-Type"] == "application/zip"
    assert response["Cache-Control"] == "no-store"
    entry = ReleaseEntry.objects.get()
    assert sha256(response.content).hexdigest() == entry.sha256
    assert entry.sha256[:16] in client.get(reverse("releases")).content.decode()
    refused = client.post(reverse("releases"), {**form, "approval": ""})
    assert refused.status_code == 422
    assert ReleaseEntry.objects.count() == 1


def test_the_page_says_why_a_release_is_refused(cast):
    response = cast.client("coordinator").post(
        reverse("releases"),
        {
            "project": "zones",
            "purpose": "p",
            "approval": "a",
            "units": [cast.unit.pk],
            "which": "all",
            "failure": "reoperation",
        },
    )
    assert response.status_code == 422
    assert "no patient gave research permission" in response.content.decode()


def test_the_command_writes_whole_files_and_refuses_in_words(cast, six, tmp_path):
    options = {"project": "zones", "purpose": "failure by zone", "approval": "REC-1", "out": tmp_path}
    said = call_command("release", by="coordinator", **options)
    (written,) = tmp_path.iterdir()
    assert str(written) in said
    assert sha256(written.read_bytes()).hexdigest() == ReleaseEntry.objects.get().sha256
    with pytest.raises(CommandError, match="no user named 'nobody'"):
        call_command("release", by="nobody", **options)
    with pytest.raises(CommandError, match="may not release"):
        call_command("release", by="oak", **options)


def test_no_calendar_date_of_the_record_leaves(cast, asked, six):
    text = b"".join(members(asked()[0]).values()).decode()
    dates = [factories.OPERATED_ON + timedelta(days=days) for days in range(-30, 330)]
    assert not [day for day in dates if day.isoformat() in text or day.strftime("%d.%m.%Y") in text]
