"""Releases through the API: the ledger, and packages byte for byte, to who releases from their units."""

import hashlib
from pathlib import Path
from typing import Any

import pytest

from outcomes.models import LedgerEntry, LedgerKind
from outcomes.naming import name_cohort
from outcomes.release import ledger
from outcomes.release.making import make_package
from tests import factories
from tests.conftest import Cast
from tests.outcomes.release.asking import asked
from tests.registry.api.asking import Asker, asker

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]


@pytest.fixture
def released(cast: Cast, settings: Any, tmp_path: Path) -> LedgerEntry:
    settings.RELEASES_DIR = tmp_path / "releases"
    name_cohort(cast.coordinator, "every repair", {"which": "all"})
    permission = {"research_permission": "given", "research_permission_on": factories.OPERATED_ON}
    for number in range(6):
        knee = factories.a_knee(cast.unit, **permission)
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak, knee))
        (factories.a_failure if number < 2 else factories.a_contact)(repair, 300 + number)
    return make_package(asked(cast.unit, attributes=("sex",)), cast.coordinator)[1]


@pytest.fixture
def program(cast: Cast) -> Asker:
    return asker(cast.coordinator)


def test_the_ledger_lists_what_its_page_lists(cast: Cast, released: LedgerEntry, program: Asker) -> None:
    page = program.get("/releases/").json()
    (line,) = page["items"]
    assert (line["uuid"], line["number"], line["state"]) == (str(released.uuid), 1, "released")
    assert (line["project"], line["rows_released"], page["next"]) == ("zones", 6, None)


def test_an_entry_is_told_with_its_place_in_the_chain(released: LedgerEntry, program: Asker) -> None:
    told = program.get(f"/releases/{released.uuid}/").json()
    assert (told["own_hash"], told["previous_hash"]) == (released.own_hash, "0" * 64)
    assert told["rows"] == {"in_cohort": 7, "permitted": 6, "suppressed": 0, "released": 6}
    assert (told["steward"], told["definition"], told["recall"]) == (
        "steward@example.org",
        "reoperation",
        None,
    )


def test_the_package_comes_byte_for_byte(released: LedgerEntry, program: Asker) -> None:
    answer = program.get(f"/releases/{released.uuid}/package/")
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/zip")
    assert hashlib.sha256(b"".join(answer.streaming_content)).hexdigest() == released.said["sha256"]


def test_the_manifest_is_that_of_the_package(released: LedgerEntry, program: Asker) -> None:
    told = program.get(f"/releases/{released.uuid}/manifest/").json()
    assert told["project"] == "zones"
    assert "repairs.csv" in str(told["sha256"])


def test_a_recalled_package_is_handed_out_no_longer(
    cast: Cast, released: LedgerEntry, program: Asker
) -> None:
    ledger.recall(released, cast.coordinator, "wrong recipient")
    assert LedgerEntry.objects.filter(kind=LedgerKind.RECALL).exists()
    told = program.get(f"/releases/{released.uuid}/").json()
    assert (told["state"], told["recall"]["reason"]) == ("recalled", "wrong recipient")
    for part in ("package", "manifest"):
        answer = program.get(f"/releases/{released.uuid}/{part}/")
        assert (answer.status_code, answer["Content-Type"]) == (404, "application/problem+json")
    assert len(program.get("/releases/").json()["items"]) == 1


def test_nobody_else_learns_of_it(cast: Cast, released: LedgerEntry) -> None:
    factories.Membership.objects.create(user=cast.stranger, unit=cast.other_unit, role="coordinator")
    stranger = asker(cast.stranger)
    assert stranger.get("/releases/").json() == {"items": [], "next": None}
    for part in ("", "package/", "manifest/"):
        assert stranger.get(f"/releases/{released.uuid}/{part}").status_code == 404
    for who in (cast.surgeon, cast.clinician, cast.audit_lead):
        assert asker(who).get(f"/releases/{released.uuid}/package/").status_code == 403
