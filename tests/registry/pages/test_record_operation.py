"""Record an operation: what is typed is what stands in the record, whole or not at all."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db.models import Model
from django.db.models.signals import pre_save

from registry.models import Identity, IndexProcedure, Knee, Patient, Repair, Tear
from registry.recording import record
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import an_operation_entry, text

PATH = "/operations/new/"
TABLES: tuple[type[Model], ...] = (Patient, Identity, Knee, IndexProcedure, Tear, Repair)
SECOND_TEAR = {
    "tear-2-meniscus": "lateral",
    "tear-2-pattern": "root",
    "tear-2-treatment": "repaired",
    "tear-2-root_type": "2B",
    "repair-2-pull_out": "on",
    "repair-2-tunnels": "2",
}


def rows() -> dict[str, int]:
    return {model.__name__: model._default_manager.count() for model in TABLES}


@contextmanager
def nothing_saved() -> Iterator[None]:
    before = rows()
    yield
    assert rows() == before


def post(cast: Cast, changes: dict[str, str] | None = None) -> Any:
    return cast.client("surgeon").post(PATH, an_operation_entry(cast, cast.surgeon, changes))


def a_known_patient(cast: Cast, **fields: Any) -> Patient:
    """A patient of the unit with the hospital number, sex and birth of the entry."""
    patient = Patient(unit=cast.unit, **{"sex": "female", "born_on": date(1999, 12, 31), **fields})
    record(patient, Identity.sealed(patient, hospital_number="NM0042"))
    return patient


def test_the_page_opens_with_what_is_known_of_the_surgeon(cast: Cast) -> None:
    page = text(cast.client("surgeon").get(PATH))
    assert f'<option value="{cast.oak.pk}" selected>Dr Oak</option>' in page
    assert f'<option value="{cast.unit.pk}" selected>Northmere Hospital</option>' in page
    assert "Southmere" not in page


def test_a_new_patient_with_two_repairs_and_a_tear_left_alone(cast: Cast) -> None:
    third = {"tear-3-meniscus": "medial", "tear-3-pattern": "horizontal", "tear-3-treatment": "left"}
    client = cast.client("surgeon")
    entry = {**SECOND_TEAR, **third, "operation-acl": "treated_here"}
    response = client.post(PATH, an_operation_entry(cast, cast.surgeon, entry))
    operation = IndexProcedure.objects.get(operated_on=date(2024, 5, 2))
    assert response.headers["Location"] == f"/knees/{operation.knee.uuid}/"
    assert (operation.unit, operation.lead_surgeon) == (cast.unit, cast.oak)
    assert (operation.acl, float(operation.bmi), operation.days_from_injury) == ("treated_here", 24.5, 12)
    assert (operation.knee.side, operation.knee.patient.sex) == ("right", "female")
    assert list(operation.tears.order_by("pk").values_list("meniscus", "pattern", "treatment")) == [
        ("medial", "bucket_handle", "repaired"),
        ("lateral", "root", "repaired"),
        ("medial", "horizontal", "left"),
    ]
    techniques = [
        repair.techniques for repair in Repair.objects.filter(tear__procedure=operation).order_by("pk")
    ]
    assert techniques == [["all_inside"], ["pull_out"]]
    assert "The operation is recorded." in text(client.get(response.headers["Location"]))


def test_the_hospital_number_is_sealed_and_told_nowhere(cast: Cast) -> None:
    response = post(cast)
    identity = Identity.objects.get()
    assert identity.opened()["hospital_number"] == "NM 0042"
    for number in ("NM 0042", "NM0042"):
        assert number not in identity.hospital_number_sealed + identity.hospital_number_index
    assert "0042" not in text(cast.client("surgeon").get(response.headers["Location"]))


def test_a_hospital_number_on_record_leads_to_the_same_patient(cast: Cast) -> None:
    patient = a_known_patient(cast)
    post(cast)
    operation = IndexProcedure.objects.get(operated_on=date(2024, 5, 2))
    assert operation.knee.patient == patient
    assert Identity.objects.count() == 1


def test_a_knee_on_record_sends_its_next_operation_to_its_story(cast: Cast) -> None:
    post(cast)
    with nothing_saved():
        response = post(cast, {"operation-operated_on": "2025-05-02", "operation-injured_on": "2025-04-20"})
    page = text(response)
    assert "The right knee of this patient is on record." in page
    knee = Knee.objects.get(side="right")
    assert page.count(f'from its <a href="/knees/{knee.uuid}/">Knee story</a>') == 2


def test_the_other_knee_of_a_known_patient_is_new(cast: Cast) -> None:
    post(cast)
    assert post(cast, {"patient-side": "left"}).status_code == 302
    assert Knee.objects.filter(patient__identity__isnull=False).count() == 2
    assert Identity.objects.count() == 1


def post_next(cast: Cast, who: str = "surgeon", **changes: str) -> Any:
    """Record another operation on the cast's knee, in which its tear came back."""
    typed = {
        **an_operation_entry(cast, cast.surgeon),
        "operation-operated_on": "2025-05-02",
        "operation-injured_on": "2025-04-20",
        "tear-1-revises": str(cast.repair.tear.pk),
        **changes,
    }
    return cast.client(who).post(f"/knees/{cast.knee.uuid}/operation/", typed)


def test_a_tear_that_came_back_is_the_failure_of_its_first_repair(cast: Cast) -> None:
    assert post_next(cast).status_code == 302
    again = cast.repair.tear.revisions.get()
    assert again.is_revision
    assert again.procedure.knee == cast.knee
    client = cast.client("surgeon")
    assert "repaired again" in text(client.get(f"/knees/{cast.knee.uuid}/standing/"))
    assert f"/knees/{cast.knee.uuid}/operation/" in text(client.get(f"/knees/{cast.knee.uuid}/"))


def test_each_earlier_tear_is_told_from_the_others(cast: Cast) -> None:
    first = cast.repair.tear.procedure
    factories.a_repair(first, vascular_zone="RW")
    factories.a_repair(first, meniscus="lateral", vascular_zone="")
    record(Tear(procedure=first, meniscus="lateral", pattern="radial", treatment="removed"))
    page = text(cast.client("surgeon").get(f"/knees/{cast.knee.uuid}/operation/"))
    labels = (
        "A new tear",
        "Tear 1: longitudinal-vertical tear, medial meniscus, red-red, operated on 1 Mar 2024",
        "Tear 2: longitudinal-vertical tear, medial meniscus, red-white, operated on 1 Mar 2024",
        "Tear 3: longitudinal-vertical tear, lateral meniscus, zone not recorded, operated on 1 Mar 2024",
    )
    places = [page.index(label) for label in labels]
    assert places == sorted(places)
    assert "Tear 4" not in page.split("Tear 2, if there was one")[0]


def test_an_earlier_tear_that_failed_already_comes_after_the_others(cast: Cast) -> None:
    first = cast.repair.tear.procedure
    removed, revised, sound = (
        factories.a_repair(first, pattern=name) for name in ("radial", "root", "complex")
    )
    factories.a_failure(removed, 100)
    again = factories.an_operation(
        cast.unit, cast.oak, cast.knee, operated_on=date(2024, 9, 1), injured_on=None
    )
    factories.a_repair(again, revises=revised.tear)
    page = text(cast.client("surgeon").get(f"/knees/{cast.knee.uuid}/operation/")).split("Tear 2, if there")[
        0
    ]
    shown = [
        f'name="tear-1-revises" value="{tear.pk}"'
        for tear in (cast.repair.tear, sound.tear, again.tears.get(), removed.tear, revised.tear)
    ]
    places = [page.index(each) for each in shown]
    assert places == sorted(places)
    assert page.count("1 Mar 2024, removed or repaired again since") == 2


def test_whether_a_tear_came_back_has_to_be_said(cast: Cast) -> None:
    with nothing_saved():
        response = post_next(cast, **{"tear-1-revises": ""})
    assert response.status_code == 422
    words = "Say whether this tear is new or the return of an earlier one."
    assert f"Tear 1: New, or the return of an earlier tear</a>: {words}" in text(response)


def test_a_new_tear_of_a_known_knee(cast: Cast) -> None:
    assert post_next(cast, **{"tear-1-revises": "new"}).status_code == 302
    assert IndexProcedure.objects.get(operated_on=date(2025, 5, 2)).tears.get().revises is None


def test_without_an_earlier_repair_nothing_is_asked(cast: Cast) -> None:
    removed = factories.an_operation(cast.unit, cast.oak)
    record(Tear(procedure=removed, meniscus="medial", pattern="radial", treatment="removed"))
    assert "revises" not in text(cast.client("surgeon").get(f"/knees/{removed.knee.uuid}/operation/"))
    assert "revises" not in text(cast.client("surgeon").get(PATH))


def test_a_tear_does_not_come_back_before_it_was_repaired(cast: Cast) -> None:
    """An older operation entered later: its tears are the return of nothing that followed."""
    with nothing_saved():
        response = post_next(
            cast, **{"operation-operated_on": "2023-05-02", "operation-injured_on": "2023-04-20"}
        )
    assert "was not operated on before this operation" in text(response)


def test_a_tear_of_another_knee_cannot_have_come_back_here(cast: Cast) -> None:
    elsewhere = factories.a_repair(factories.an_operation(cast.unit, cast.oak))
    with nothing_saved():
        response = post_next(cast, **{"tear-1-revises": str(elsewhere.tear.pk)})
    assert "Select a valid choice" in text(response)


@pytest.mark.parametrize(("who", "status"), [("clinician", 403), ("stranger", 404), ("coordinator", 403)])
def test_the_next_operation_is_a_surgeons_of_the_unit(cast: Cast, who: str, status: int) -> None:
    with nothing_saved():
        assert post_next(cast, who).status_code == status


def test_the_same_number_in_another_unit_is_somebody_else(cast: Cast) -> None:
    elsewhere = Patient(unit=cast.other_unit, sex="male", born_on=date(1960, 1, 1))
    record(elsewhere, Identity.sealed(elsewhere, hospital_number="NM0042"))
    assert post(cast).status_code == 302
    assert Identity.objects.count() == 2


@pytest.mark.parametrize(
    ("known", "words"),
    [
        ({"sex": "male"}, "does not match female"),
        ({"born_on": date(1999, 12, 30)}, "date of birth 1999-12-31"),
    ],
)
def test_a_known_number_with_another_sex_or_birth_is_refused(
    cast: Cast, known: dict[str, Any], words: str
) -> None:
    a_known_patient(cast, **known)
    with nothing_saved():
        response = post(cast)
    assert response.status_code == 422
    page = text(response)
    assert words in page
    assert "nothing is merged" in page
    # What the record holds is not given away.
    assert "1999-12-30" not in page


def test_an_operation_entered_twice_is_refused(cast: Cast) -> None:
    with nothing_saved():
        response = post_next(
            cast, **{"operation-operated_on": "2024-03-01", "operation-injured_on": "2024-02-20"}
        )
    assert "An operation of that day on this knee is on record. Correct the date." in text(response)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"patient-hospital_number": ""}, "Hospital number is missing. Enter it."),
        ({"operation-operated_on": "2999-01-01"}, "1 Jan 2999 lies in the future"),
        ({"operation-operated_on": "2024-04-19"}, "The injury is dated after the operation."),
        ({"operation-injured_on": ""}, "Give the date of injury, or choose precision Unknown"),
        ({"operation-tourniquet_min": "241"}, "Tourniquet time 241 is outside 0 to 240."),
        ({"repair-1-all_inside": ""}, "A repair needs at least one technique."),
        ({"tear-1-length_mm": "61"}, "Tear length 61 is outside 1 to 60."),
        ({"tear-2-meniscus": "lateral"}, "Tear 2: Pattern</a>: Pattern is missing. Enter it."),
        ({"repair-3-all_inside": "on"}, "Tear 3: Meniscus</a>: Meniscus is missing. Enter it."),
        ({"tear-2-treatment": "removed"}, "Tear 2: Meniscus</a>: Meniscus is missing. Enter it."),
        ({"operation-acl": ""}, "ACL is missing. Choose its state; intact is not assumed."),
        ({"patient-born_on": "2024-05-03"}, "2 May 2024 lies before the patient's birth."),
    ],
)
def test_what_is_wrong_is_said_in_words_and_nothing_is_saved(
    cast: Cast, changes: dict[str, str], words: str
) -> None:
    with nothing_saved():
        response = post(cast, changes)
    assert response.status_code == 422
    assert words in text(response)
    assert "nothing was saved" in text(response)


def test_everything_to_mend_is_said_at_once_and_what_was_typed_stays(cast: Cast) -> None:
    response = post(cast, {"patient-sex": "", "operation-bmi": "900", "tear-1-pattern": ""})
    page = text(response)
    assert "3 things to mend" in page
    assert 'value="NM 0042"' in page
    assert 'value="900"' in page


def test_an_empty_page_is_no_operation(cast: Cast) -> None:
    with nothing_saved():
        response = cast.client("surgeon").post(PATH, {})
    assert "Date of operation is missing. Enter it." in text(response)


def test_a_dead_patient_is_not_operated_on(cast: Cast) -> None:
    a_known_patient(cast, died_on=date(2024, 5, 1))
    with nothing_saved():
        assert "2 May 2024 lies after the patient's death. Correct it." in text(post(cast))


def test_units_and_surgeons_of_others_are_refused(cast: Cast) -> None:
    yew = factories.a_surgeon(cast.other_unit, "yew")
    with nothing_saved():
        assert "Select a valid choice" in text(post(cast, {"patient-unit": str(cast.other_unit.pk)}))
        assert "Select a valid choice" in text(post(cast, {"operation-lead_surgeon": str(yew.pk)}))


def test_a_surgeon_works_in_the_unit_of_the_operation(cast: Cast) -> None:
    """Of two units a person may choose from, surgeon and operation must be of the same."""
    yew = factories.a_surgeon(cast.other_unit, "yew")
    record(type(cast.surgeon.memberships.get())(user=cast.surgeon, unit=cast.other_unit, role="surgeon"))
    with nothing_saved():
        response = post(cast, {"operation-first_assistant": str(yew.pk)})
    assert "Dr Yew does not work at Northmere Hospital. Choose a surgeon of that unit." in text(response)


def test_of_two_people_entering_the_same_patient_at_once_one_is_told(cast: Cast) -> None:
    """A rival's row arrives between the check of this entry and its saving: the database alone sees it."""

    def rival(instance: Identity, **_: Any) -> None:
        patient = Patient(unit=cast.unit, sex="male", born_on=date(1960, 1, 1))
        patient.save()
        Identity.objects.bulk_create([Identity.sealed(patient, hospital_number="NM0042")])

    pre_save.connect(rival, sender=Identity)
    try:
        with nothing_saved():
            response = post(cast)
    finally:
        pre_save.disconnect(rival, sender=Identity)
    assert response.status_code == 422
    assert "somebody may have recorded the same at the same moment" in text(response)


def test_a_row_refused_last_takes_all_others_with_it(cast: Cast) -> None:
    """The third tear is refused only when it is saved: patient, knee and operation go too."""

    def refused(instance: Tear, **_: Any) -> None:
        if instance.meniscus == "medial" and instance.pattern == "radial":
            raise ValidationError("This tear is refused at the last moment.")

    third = {"tear-3-meniscus": "medial", "tear-3-pattern": "radial", "tear-3-treatment": "removed"}
    pre_save.connect(refused, sender=Tear)
    try:
        with nothing_saved():
            response = post(cast, {**SECOND_TEAR, **third})
    finally:
        pre_save.disconnect(refused, sender=Tear)
    assert "Tear 3</a>: This tear is refused at the last moment." in text(response)


def test_recorded_and_signed_at_once_by_who_operated(cast: Cast) -> None:
    assert "Record and sign" in text(cast.client("surgeon").get(PATH))
    post(cast, {"sign": "yes"})
    operation = IndexProcedure.objects.get(operated_on=date(2024, 5, 2))
    assert (operation.signed_by, operation.recorded_by) == (cast.surgeon, cast.surgeon)


def test_who_did_not_operate_does_not_sign(cast: Cast) -> None:
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    with nothing_saved():
        response = post(cast, {"sign": "yes", "operation-lead_surgeon": str(elm.pk)})
    assert "Only whoever led the operation or repaired signs it." in text(response)
    post(
        cast,
        {"sign": "yes", "operation-lead_surgeon": str(elm.pk), "operation-repaired_by": str(cast.oak.pk)},
    )
    assert IndexProcedure.objects.get(operated_on=date(2024, 5, 2)).signed_by == cast.surgeon


def test_the_ligament_operation_of_a_staged_knee_offers_its_second_look(cast: Cast) -> None:
    factories.corrected(cast.repair.tear.procedure, staging="repair_first", acl="staged")
    client = cast.client("surgeon")
    typed = {
        **an_operation_entry(cast, cast.surgeon),
        "operation-operated_on": "2024-06-02",
        "operation-acl": "treated_here",
        "tear-1-revises": "new",
    }
    response = client.post(f"/knees/{cast.knee.uuid}/operation/", typed)
    assert "Record the second look of 2 Jun 2024" in text(client.get(response.headers["Location"]))
