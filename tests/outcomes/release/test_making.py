"""From the request to the package: gate, refusals, snapshot, and the same bytes when made again."""

import csv
import io
import json
import zipfile
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.management import CommandError, call_command
from django.db import connection

from outcomes.cohort import Cohort
from outcomes.failure import REOPERATION
from outcomes.models import LedgerEntry
from outcomes.models.release import JobState, ReleaseJob
from outcomes.naming import name_cohort
from outcomes.release import frozen_file, store, work
from outcomes.release.making import gate, make_package, pack, prepare, silently
from outcomes.release.refusals import ReleaseRefusedError
from outcomes.survival import survival_results
from registry.models import EndOfFollowUp, Knee, Unit
from registry.recording import record
from registry.snapshot import snapshot
from registry.telling import WorkStoppedError
from tests import factories
from tests.outcomes.release.asking import asked

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

FEW = ("sex", "side")


@pytest.fixture(autouse=True)
def packages(settings: Any, tmp_path: Path) -> None:
    settings.RELEASES_DIR = tmp_path / "releases"


@pytest.fixture
def house(cast):
    """Eight permitted repairs, two of them failed; the cast's own patient was not asked."""
    name_cohort(cast.coordinator, "every repair", {"which": "all"})
    for number in range(8):
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak, permitted(cast)))
        (factories.a_failure if number < 2 else factories.a_contact)(repair, 300 + number)
    return cast


def permitted(cast, **changes: Any) -> Knee:
    told = {"research_permission": "given", "research_permission_on": factories.OPERATED_ON}
    return factories.a_knee(cast.unit, **{**told, **changes})


def made(house, **changes: Any) -> tuple[Path, LedgerEntry]:
    return make_package(asked(house.unit, **{"attributes": FEW, **changes}), house.coordinator)


def a_job(house, **changes: Any) -> ReleaseJob:
    wanted = asked(house.unit, **{"attributes": FEW, **changes})
    return ReleaseJob.objects.create(asked_by=house.coordinator, asked=wanted.as_json())


def read(path: Path, name: str) -> bytes:
    with zipfile.ZipFile(path) as package:
        return package.read(name)


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(read(path, "repairs.csv").decode())))


# --- gate ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"purpose": " "}, "purpose", "Enter it"),
        ({"approval": ""}, "approval", "Enter it"),
        ({"project": ""}, "project", "Enter it"),
        ({"recipient": ""}, "recipient", "Enter it"),
        ({"steward": ""}, "steward", "Enter it"),
        ({"k": 2}, "k", "2 is below 5"),
        ({"k": 4}, "k", "4 is below 5"),
        ({"attributes": ("hospital_number",)}, "attributes", "'hospital_number' is no attribute"),
        ({"attributes": ("year",), "year_years": 0}, "year_years", "1, 2 or 5"),
        ({"definition": "own-9"}, "definition", "'own-9' is no definition"),
        ({"cohort_version": 2}, "cohort_name", "version 2"),
        ({"cohort_name": "another"}, "cohort_name", "Name it under Cohorts"),
        ({"cohort": {"which": "revision"}}, "cohort_name", "its filters are others"),
    ],
)
def test_what_is_missing_or_wrong_is_said_by_field(house, changes, field, words):
    with pytest.raises(ValidationError) as refusal:
        made(house, **changes)
    assert words in " ".join(refusal.value.message_dict[field])
    assert not ReleaseJob.objects.exists()
    assert not LedgerEntry.objects.exists()


def test_only_who_releases_from_every_unit_asked_for(house):
    for by, units in (
        (house.surgeon, [house.unit]),
        (house.coordinator, Unit.objects.all()),
        (house.coordinator, []),
    ):
        with pytest.raises(PermissionDenied):
            gate(asked(*units, attributes=FEW), by)


def test_anothers_cohort_serves_when_it_is_shared(house):
    name_cohort(house.audit_lead, "the lead's", {"meniscus": "medial"})
    wanted = {"cohort_name": "the lead's", "cohort": {"meniscus": "medial"}}
    with pytest.raises(ValidationError):
        made(house, **wanted)
    name_cohort(house.audit_lead, "the lead's too", {"meniscus": "medial"}, house.unit)
    assert made(house, **{**wanted, "cohort_name": "the lead's too"})


# --- what leaves --------------------------------------------------------------------------------


def test_only_permitted_rows_leave_and_every_count_says_so(house):
    path, entry = made(house)
    assert entry.said["rows"] == {"in_cohort": 9, "permitted": 8, "suppressed": 0, "released": 8}
    assert len(rows(path)) == 8
    flow = json.loads(read(path, "manifest.json"))["flow"]
    assert flow[0]["remaining"] == 9
    assert flow[-1]["remaining"] == 8
    assert sha256(path.read_bytes()).hexdigest() == entry.said["sha256"]


@pytest.mark.parametrize("permission", ["refused", "withdrawn", "not_asked"])
def test_who_does_not_permit_is_not_in(house, permission):
    day = None if permission == "not_asked" else factories.OPERATED_ON
    knee = permitted(house, research_permission=permission, research_permission_on=day)
    factories.a_repair(factories.an_operation(house.unit, house.oak, knee))
    assert len(rows(made(house)[0])) == 8


def test_who_withdrew_from_follow_up_is_not_in(house):
    knee = permitted(house)
    factories.a_repair(factories.an_operation(house.unit, house.oak, knee))
    assert len(rows(made(house)[0])) == 9
    record(EndOfFollowUp(patient=knee.patient, ended_on=factories.OPERATED_ON, reason="withdrew"))
    assert len(rows(made(house)[0])) == 8


def test_nobody_permitted_is_refused(cast):
    name_cohort(cast.coordinator, "every repair", {"which": "all"})
    with pytest.raises(ReleaseRefusedError, match="None of the 1 repairs may be released"):
        made(cast)
    assert not LedgerEntry.objects.exists()
    assert not list(store.folder().rglob("*.*"))


def test_what_cannot_be_hidden_is_refused(house):
    with pytest.raises(ReleaseRefusedError, match="20"):
        made(house, k=20)


def test_survival_in_the_manifest_is_the_registrys_for_the_same_rows(house):
    survival = json.loads(read(made(house)[0], "manifest.json"))["survival"]
    units = Unit.objects.filter(pk=house.unit.pk)
    overall = survival_results(Cohort(which="all"), units, REOPERATION)[0].overall
    for landmark in survival:
        assert landmark["survival"] == overall.curve.at(round(365.25 * landmark["year"])).survival


def test_made_again_it_is_the_same_byte_for_byte(house):
    (first, entry), (second, again) = made(house), made(house)
    assert entry.uuid != again.uuid
    assert first.read_bytes() == second.read_bytes()
    assert not list((store.folder() / "work").glob("*"))


def test_prepared_and_packed_later_it_is_the_same_as_at_once(house):
    job = a_job(house)
    work.run(job)
    assert job.state == JobState.PREPARED
    ReleaseJob.objects.filter(pk=job.pk).update(state=JobState.CONFIRMED, confirmed_by=house.coordinator)
    work.run(job)
    assert job.state == JobState.RELEASED
    assert job.entry
    assert store.path_of(job.entry).read_bytes() == made(house)[0].read_bytes()


# --- between preparing and packing --------------------------------------------------------------


def test_whoever_withdraws_in_between_does_not_leave(house):
    job = a_job(house)
    prepare(job, silently)
    patient = house.unit.patients.filter(research_permission="given").first()
    factories.corrected(
        patient, research_permission="withdrawn", research_permission_on=factories.OPERATED_ON
    )
    with pytest.raises(ReleaseRefusedError, match="1 of the patients in it may not be released any more"):
        pack(job, silently)
    assert not LedgerEntry.objects.exists()


def test_a_cancelled_job_stops_at_the_next_step_and_leaves_nothing(house):
    job = a_job(house)

    def cancel_midway(step: str, done: int, total: int) -> None:
        ReleaseJob.objects.filter(pk=job.pk).update(cancel_asked=True)

    work.run(job, cancel_midway)
    assert job.state == JobState.CANCELLED
    assert not list((store.folder() / "work").glob("*"))


def test_a_job_is_worked_on_by_one(house):
    job = a_job(house)
    steps = []

    def another_tries(step: str, done: int, total: int) -> None:
        steps.append(step)
        before = ReleaseJob.objects.get(pk=job.pk).worker
        work.run(ReleaseJob.objects.get(pk=job.pk))
        assert ReleaseJob.objects.get(pk=job.pk).worker == before

    work.run(job, another_tries)
    assert steps
    assert job.state == JobState.PREPARED


def test_a_worker_that_was_taken_over_stops(house):
    job = a_job(house)

    def taken_over(step: str, done: int, total: int) -> None:
        ReleaseJob.objects.filter(pk=job.pk).update(worker="another")

    work.run(job, taken_over)
    assert (job.state, job.worker) == (JobState.PREPARING, "another")


def test_work_that_breaks_off_says_so_and_goes_on(house, monkeypatch):
    job = a_job(house)

    def out_of_space(step: str, done: int, total: int) -> None:
        raise OSError("no space left on device")

    with pytest.raises(OSError, match="no space"):
        work.run(job, out_of_space)
    assert job.state == JobState.BROKEN
    assert "OSError" in job.told
    monkeypatch.setattr(work, "start", work.run)
    work.go_on(job)
    job.refresh_from_db()
    assert job.state == JobState.PREPARED
    ReleaseJob.objects.filter(pk=job.pk).update(state=JobState.ASKED)
    with pytest.raises(ValidationError, match="not ready"):
        work.confirm(job, house.coordinator)


def test_stopping_is_no_error_of_the_release():
    assert not issubclass(WorkStoppedError, ReleaseRefusedError)


# --- from the terminal --------------------------------------------------------------------------

TOLD = [
    *("release", "make", "--by", "coordinator", "--cohort", "every repair", "--project", "zones"),
    *(
        "--purpose",
        "failure by zone",
        "--approval",
        "REC-1",
        "--recipient",
        "Institute",
        "--steward",
        "a desk",
    ),
    *("--attributes", "sex,side"),
]


def test_the_command_releases_and_previews(house, capsys, tmp_path):
    call_command(*TOLD, "--preview")
    assert "Nothing was released." in capsys.readouterr().out
    assert not LedgerEntry.objects.exists()
    call_command(*TOLD, "--out", str(tmp_path / "out"), "--json")
    said = json.loads(capsys.readouterr().out)
    assert sha256(Path(said["path"]).read_bytes()).hexdigest() == said["sha256"]
    assert said["rows"]["released"] == 8


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"--by": "nobody"}, "no user named 'nobody'"),
        ({"--by": "oak"}, "no cohort 'every repair' of oak's"),
        ({"--cohort": "none"}, "no cohort 'none'"),
        ({"--steward": " "}, "steward: A release needs"),
        ({"--k": "1"}, "1 is below 5"),
    ],
)
def test_the_command_says_what_is_wrong(house, changes, words):
    with pytest.raises(CommandError, match=words):
        call_command(*TOLD, *[part for pair in changes.items() for part in pair])


def test_a_snapshot_keeps_nobody_from_writing_and_ends_with_its_block(transactional_db, cast):
    before = Knee.objects.count()
    with snapshot():
        assert Knee.objects.count() == before
        assert not connection.in_atomic_block
    factories.a_knee(cast.unit)
    assert Knee.objects.count() == before + 1


@pytest.mark.parametrize("part", ["preparing", "packing"])
def test_a_cancellation_after_the_last_word_is_heeded_too(house, monkeypatch, part):
    job = a_job(house)

    def cancelled_while(function):
        def late(*given: Any) -> Any:
            done = function(*given)
            ReleaseJob.objects.filter(pk=job.pk).update(cancel_asked=True)
            return done

        return late

    if part == "packing":
        work.run(job)
        ReleaseJob.objects.filter(pk=job.pk).update(state=JobState.CONFIRMED, confirmed_by=house.coordinator)
        monkeypatch.setattr(store, "keep", cancelled_while(store.keep))
    else:
        monkeypatch.setattr(frozen_file, "keep", cancelled_while(frozen_file.keep))
    work.run(job)
    assert job.state == JobState.CANCELLED
    assert not LedgerEntry.objects.exists()
    assert not list((store.folder() / "work").glob("*"))
