"""Who may ask for what: every address of the record, for every role, with every scope and none."""

from collections.abc import Iterator

import pytest
from django.urls import URLPattern

from registry.api.urls import urlpatterns
from registry.models import BookedVisit, GivenUpReview, PatientReport
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.api.asking import NOBODY, READ, WRITE, asker
from tests.registry.api.test_events import CORRECTED, example_of

pytestmark = pytest.mark.any_engine

READERS = ("surgeon", "colleague", "clinician", "audit_lead")
FOLLOWERS = ("surgeon", "colleague", "clinician")
SURGEONS = ("surgeon", "colleague")
OF_OPERATIONS = ("operations", "tears")


@pytest.fixture
def one_of_each(cast: Cast) -> dict[str, str]:
    """The address of one row of every kind."""
    knee, writer = cast.knee, asker(cast.surgeon)
    found = {
        "patients": f"/patients/{knee.patient.uuid}/",
        "knees": f"/knees/{knee.uuid}/",
        "operations": f"/operations/{cast.repair.tear.procedure.uuid}/",
        "tears": f"/tears/{cast.repair.tear.uuid}/",
    }
    for slug in CORRECTED:
        found[slug] = f"/{slug}/{writer.post(f'/{slug}/', example_of(cast, slug)).json()['uuid']}/"
    rows = {
        "patient-reports": PatientReport(knee=knee, answered_on="2024-09-01", operated_again="no"),
        "booked-visits": BookedVisit(knee=knee, booked_for="2024-09-01"),
        "given-up-reviews": GivenUpReview(
            knee=knee, given_up_on="2024-09-01", time_point="6m", reason="unreachable"
        ),
    }
    record(*rows.values())
    return {**found, **{slug: f"/{slug}/{row.uuid}/" for slug, row in rows.items()}}


def kinds() -> set[str]:
    return {str(each.pattern).partition("/")[0] for each in urlpatterns if isinstance(each, URLPattern)}


def test_there_is_a_row_of_every_kind(one_of_each: dict[str, str]) -> None:
    assert set(one_of_each) == kinds()


def test_who_reads_what(cast: Cast, one_of_each: dict[str, str]) -> None:
    for who in READERS:
        program = asker(getattr(cast, who), READ)
        for path in _readable(one_of_each):
            assert program.get(path).status_code == 200, (who, path)
    for path in _readable(one_of_each):
        assert NOBODY.get(path).status_code == 401
    stranger = asker(cast.stranger)
    for slug, path in one_of_each.items():
        assert stranger.get(path).status_code == 404, path
        if slug != "tears":
            assert stranger.get(f"/{slug}/").json()["items"] == []
    coordinator = asker(cast.coordinator)
    for path in _readable(one_of_each):
        assert coordinator.get(path).status_code == 403  # no scope of the record is theirs to give


def _readable(one_of_each: dict[str, str]) -> Iterator[str]:
    for slug, path in one_of_each.items():
        yield path
        if slug != "tears":
            yield f"/{slug}/"


def test_who_changes_what(cast: Cast, one_of_each: dict[str, str]) -> None:
    for slug, path in one_of_each.items():
        allowed = SURGEONS if slug in OF_OPERATIONS else FOLLOWERS
        for who in FOLLOWERS:
            for method, address in _changes(slug, path):
                expected = 428 if who in allowed else 403
                program = asker(getattr(cast, who))
                sent = program.patch(address, {}, If_Match="") if method == "patch" else None
                sent = sent or program.post(address, {"reason": "x"})
                assert sent.status_code == expected, (who, method, address, sent.content)
                stranger = asker(cast.stranger)
                hidden = stranger.patch(address, {}) if method == "patch" else stranger.post(address, {})
                assert hidden.status_code == 404, (method, address)


def test_a_scope_to_read_changes_nothing(cast: Cast, one_of_each: dict[str, str]) -> None:
    for person in (asker(cast.surgeon, READ), asker(cast.audit_lead, READ)):
        for slug, path in one_of_each.items():
            for method, address in _changes(slug, path):
                sent = person.patch(address, {}) if method == "patch" else person.post(address, {})
                assert sent.status_code == 403, (method, address)
                assert sent.json()["type"].endswith("scope_lacking")
        assert person.post("/operations/", {}).status_code == 403
    assert asker(cast.surgeon, WRITE).get("/knees/").status_code == 403


def _changes(slug: str, path: str) -> Iterator[tuple[str, str]]:
    """Every address that changes a row, by method."""
    if slug in CORRECTED or slug in ("patients", *OF_OPERATIONS):
        yield "patch", path
    if slug in CORRECTED or slug in ("operations", "booked-visits", "given-up-reviews"):
        yield "post", f"{path}withdrawal/"
        yield "post", f"{path}reinstatement/"


def test_nobody_records_what_their_role_does_not_let_them(cast: Cast) -> None:
    clinician = asker(cast.clinician)
    assert clinician.post("/patients/", {"sex": "female", "born_on": "1999-12-31"}).status_code == 422
    whole = {"hospital_number": "NM 7", "sex": "female", "born_on": "1999-12-31"}
    assert clinician.post("/patients/", whole).status_code == 403
    other = factories.a_repair(
        factories.an_operation(cast.other_unit, factories.a_surgeon(cast.other_unit, "yew"))
    )
    hidden = {"knee": str(other.tear.procedure.knee.uuid), "contacted_on": "2024-09-01", "source": "phone"}
    assert clinician.post("/contacts/", hidden).status_code == 404
