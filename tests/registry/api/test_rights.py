"""Who may ask for what: every address of the record, for every role, with every scope and none."""

from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest
from django.urls import URLPattern

from registry.api.urls import urlpatterns
from registry.models import (
    BookedVisit,
    Complication,
    Contact,
    EndOfFollowUp,
    GivenUpReview,
    Imaging,
    PatientReport,
    Reoperation,
    ScoreResponse,
    SecondLook,
    Visit,
)
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.api.asking import NOBODY, READ, WRITE, Asker, asker
from tests.registry.api.test_events import CORRECTED

pytestmark = pytest.mark.any_engine

READERS = ("surgeon", "clinician", "audit_lead")
FOLLOWERS = ("surgeon", "clinician")
OF_OPERATIONS = ("operations", "tears")


@pytest.fixture
def one_of_each(cast: Cast) -> dict[str, str]:
    """The address of one row of every kind."""
    knee, tear = cast.knee, cast.repair.tear
    day = date(2024, 9, 1)
    rows: dict[str, Any] = {
        "visits": Visit(knee=knee, seen_on=day),
        "second-looks": SecondLook(knee=knee, looked_on=day, reason="symptoms"),
        "imaging": Imaging(knee=knee, imaged_on=day, modality="mri"),
        "reoperations": Reoperation(knee=knee, operated_on=day),
        "complications": Complication(
            knee=knee, noticed_on=day, kind="stiffness", severity="I", found_by="symptoms"
        ),
        "contacts": Contact(knee=knee, contacted_on=day, source="phone"),
        "ends-of-follow-up": EndOfFollowUp(patient=knee.patient, ended_on=day, reason="moved"),
        "scores": ScoreResponse(knee=knee, answered_on=day, instrument="sane", items={"percent": 85}),
        "patient-reports": PatientReport(knee=knee, answered_on=day, operated_again="no"),
        "booked-visits": BookedVisit(knee=knee, booked_for=day),
        "given-up-reviews": GivenUpReview(knee=knee, given_up_on=day, time_point="6m", reason="not_reached"),
    }
    record(*rows.values())
    rows |= {"patients": knee.patient, "knees": knee, "operations": tear.procedure, "tears": tear}
    return {slug: f"/{slug}/{row.uuid}/" for slug, row in rows.items()}


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
    # Allowed, a change is asked which state was seen; refused, nothing more is asked.
    for who in FOLLOWERS:
        program = asker(getattr(cast, who))
        for slug, method, address in _changes(one_of_each):
            expected = 403 if who == "clinician" and slug in OF_OPERATIONS else 428
            assert _sent(program, method, address) == expected, (who, method, address)
    stranger = asker(cast.stranger)
    for _, method, address in _changes(one_of_each):
        assert _sent(stranger, method, address) == 404, (method, address)


def test_a_scope_to_read_changes_nothing(cast: Cast, one_of_each: dict[str, str]) -> None:
    reader = asker(cast.surgeon, READ)
    for _, method, address in [*_changes(one_of_each), ("", "post", "/operations/")]:
        assert _sent(reader, method, address) == 403, (method, address)
    lead = asker(cast.audit_lead, READ)
    assert "record:write" in lead.post("/visits/", {}).json()["detail"]
    assert asker(cast.surgeon, WRITE).get("/knees/").status_code == 403


def _sent(program: Asker, method: str, address: str) -> int:
    if method == "patch":
        return program.patch(address, {}, If_Match="").status_code
    return program.post(address, {"reason": "x"}).status_code


def _changes(one_of_each: dict[str, str]) -> Iterator[tuple[str, str, str]]:
    """Every address that changes a row: its kind, method and path."""
    for slug, path in one_of_each.items():
        if slug in CORRECTED or slug in ("patients", *OF_OPERATIONS):
            yield slug, "patch", path
        if slug in CORRECTED or slug in ("operations", "booked-visits", "given-up-reviews"):
            yield slug, "post", f"{path}withdrawal/"
            yield slug, "post", f"{path}reinstatement/"


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


def test_a_patient_as_fhir_is_as_the_page_gives_it(cast: Cast) -> None:
    program, patient = asker(cast.surgeon), cast.knee.patient
    answer = program.get(f"/patients/{patient.uuid}/fhir/")
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/fhir+json")
    page = cast.client("surgeon").get(f"/knees/{cast.knee.uuid}/fhir/")
    bundle, same = answer.json(), page.json()
    assert bundle["entry"] == same["entry"]
    again = program.get(f"/patients/{patient.uuid}/fhir/", If_None_Match=answer.headers["ETag"])
    assert again.status_code == 304
    assert asker(cast.stranger).get(f"/patients/{patient.uuid}/fhir/").status_code == 404


def test_who_is_not_operated_on_yet_is_a_patient_alone(cast: Cast) -> None:
    patient = factories.a_knee(cast.unit).patient
    bundle = asker(cast.surgeon).get(f"/patients/{patient.uuid}/fhir/").json()
    assert "Patient" in {entry["resource"]["resourceType"] for entry in bundle["entry"]}
    assert "Procedure" not in {entry["resource"]["resourceType"] for entry in bundle["entry"]}
    assert asker(cast.stranger).get(f"/patients/{patient.uuid}/fhir/").status_code == 404
