"""Loading: all or nothing, every row as the models want it, sign-ins that work, and keys that go on."""

from collections.abc import Iterator

import numpy as np
import pytest
from django.contrib.auth import authenticate
from django.db.models import Model
from django.http import HttpRequest

from registry.demo import batches, people
from registry.demo.cast import Cast
from registry.demo.load import load
from registry.demo.people import AlreadyThere, already_there, take_in
from registry.demo.rows import TABLES, Rows, columns, last_keys
from registry.demo.scenario import generate
from registry.demo.story import PatientStory
from registry.demo.truth import Truth
from registry.models import (
    GradePeriod,
    Identity,
    IndexProcedure,
    Membership,
    Message,
    Patient,
    PatientLink,
    PlannedTimePoint,
    Repair,
    ScoreResponse,
    Surgeon,
    Tear,
    TearReading,
    Unit,
    User,
    Visit,
)
from registry.models.history_rules import kept_models
from registry.recording import record
from registry.scoring import INSTRUMENTS
from registry.vocabulary import Grade, Role
from tests import factories
from tests.registry.demo.conftest import UNTIL

PASSWORD = "cobalt-meadow-19"

# The last is an intake's to say; the demo types its old notes in by hand.
KEPT_BY_THE_RECORD = {"version", "withdrawn_at", "from_old_notes"}

pytestmark = pytest.mark.django_db


@pytest.fixture
def few(truth: Truth) -> list[PatientStory]:
    return list(generate(30, 2, UNTIL, truth))


def in_record() -> dict[str, int]:
    return {table.__name__: table._default_manager.count() for table in TABLES}


def test_every_row_reaches_the_record(few: list[PatientStory]) -> None:
    written = load(few, Cast.read(), UNTIL, lambda _: PASSWORD)
    assert in_record() == {table.__name__: written[table.__name__] for table in TABLES}
    assert written["Patient"] == 30
    assert Repair.objects.count() == sum(
        tear.repair is not None
        for story in few
        for knee in story.knees
        for procedure in knee.procedures
        for tear in procedure.tears
    )


def test_what_is_read_back_is_what_was_told(few: list[PatientStory]) -> None:
    load(few, Cast.read(), UNTIL, lambda _: PASSWORD)
    for story in few:
        patient = Patient.objects.get(uuid=story.uuid)
        assert columns(Patient, story).items() <= vars(patient).items()
        assert patient.identity.opened()["family_name"] == story.identity.family_name
        for knee in story.knees:
            for told in knee.procedures:
                kept = IndexProcedure.objects.get(uuid=told.uuid)
                assert columns(IndexProcedure, told).items() <= vars(kept).items()
                assert kept.lead_surgeon.code == told.team.lead_surgeon
                for tear in told.tears:
                    assert columns(Tear, tear).items() <= vars(Tear.objects.get(uuid=tear.uuid)).items()


def test_many_chunks_are_one_load(few: list[PatientStory], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batches, "PATIENTS_AT_ONCE", 7)
    reached: list[int] = []
    load(few, Cast.read(), UNTIL, lambda _: PASSWORD, reached.append)
    assert reached == [7, 14, 21, 28, 30]
    assert Patient.objects.count() == 30


def test_a_story_that_breaks_off_leaves_nothing_behind(
    few: list[PatientStory], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken() -> Iterator[PatientStory]:
        yield from few[:10]
        raise OSError("the teller lost the thread")

    monkeypatch.setattr(batches, "PATIENTS_AT_ONCE", 4)
    with pytest.raises(OSError, match="lost the thread"):
        load(broken(), Cast.read(), UNTIL, lambda _: PASSWORD)
    assert not any(in_record().values())
    assert not Unit.objects.exists()
    assert not User.objects.exists()


def test_no_patients_leave_the_cast_alone(truth: Truth) -> None:
    assert not load(generate(0, 1, UNTIL, truth), Cast.read(), UNTIL, lambda _: PASSWORD)
    assert Surgeon.objects.count() == 12
    assert not Patient.objects.exists()


def test_a_second_load_is_refused_in_words(few: list[PatientStory]) -> None:
    load(few, Cast.read(), UNTIL, lambda _: PASSWORD)
    before = in_record()
    with pytest.raises(AlreadyThere, match=r"unit brackwold, .*Load the demo into an empty database"):
        load(few, Cast.read(), UNTIL, lambda _: PASSWORD)
    assert in_record() == before
    assert already_there(Cast.read())


def test_other_records_are_left_alone_and_keys_go_on(few: list[PatientStory]) -> None:
    factories.a_repair(factories.an_operation(*_other_hospital("birch")))
    load(few, Cast.read(), UNTIL, lambda _: PASSWORD)
    later = factories.a_repair(factories.an_operation(*_other_hospital("yew")))
    assert later.pk == max(Repair.objects.values_list("pk", flat=True))
    assert Patient.objects.count() == 32


def _other_hospital(name: str) -> tuple[Unit, Surgeon]:
    unit = factories.a_unit(f"at-{name}")
    return unit, factories.a_surgeon(unit, name)


# --- Every row as the models want it -------------------------------------------------------------


@pytest.mark.any_engine
def test_random_patients_pass_every_rule_of_the_models(stories: list[PatientStory]) -> None:
    """Saved one by one through the one way in, which checks each in words."""
    rows = Rows(take_in(Cast.read(), UNTIL, lambda _: PASSWORD), last_keys())
    for place in np.random.default_rng(20).choice(len(stories), 60, replace=False):
        rows.tell(stories[place])
    told: list[Model] = [table(**row) for table, kept in rows.take()[0].items() for row in kept]
    assert len(told) > 800
    for row in told:
        record(row)


def test_nothing_of_the_record_is_left_to_its_default(few: list[PatientStory]) -> None:
    """Whoever adds a column or a table is reminded to let the demo show it."""
    rows = Rows(take_in(Cast.read(), UNTIL, lambda _: PASSWORD), last_keys())
    for story in few:
        rows.tell(story)
    for table, kept in rows.take()[0].items():
        columns_of_table = {field.attname for field in table._meta.concrete_fields}
        assert kept[0].keys() | KEPT_BY_THE_RECORD == columns_of_table | KEPT_BY_THE_RECORD


def test_every_table_of_the_record_is_told() -> None:
    """The cast holds the rest. Links and messages are working data: no row of the record, yet told."""
    of_the_cast = {Unit, Surgeon, GradePeriod, PlannedTimePoint}
    assert set(kept_models()) == {*TABLES, *of_the_cast} - {PatientLink, Message}


def test_who_recorded_and_who_signed_is_told(few: list[PatientStory]) -> None:
    load(few, Cast.read(), UNTIL, lambda _: PASSWORD)
    for procedure in IndexProcedure.objects.all():
        assert procedure.recorded_by == procedure.lead_surgeon.user
        assert procedure.signed_by in (None, procedure.lead_surgeon.user)
    for reading in TearReading.objects.all():
        assert reading.recorded_by == reading.reader.user
    for visit in Visit.objects.select_related("knee__patient__unit"):
        at_brackwold = visit.knee.patient.unit.code == "brackwold"
        assert visit.recorded_by
        assert (visit.recorded_by.username == "clinician") == at_brackwold


def test_score_values_come_from_the_scorer(few: list[PatientStory]) -> None:
    load(few, Cast.read(), UNTIL, lambda _: PASSWORD)
    responses = list(ScoreResponse.objects.all())
    assert len(responses) > 30
    for response in responses:
        scored_by = INSTRUMENTS[response.instrument]
        assert response.scale_values == scored_by.values(response.items, response.instrument_version)


# --- Who signs in --------------------------------------------------------------------------------


@pytest.mark.any_engine
def test_every_role_can_sign_in_with_the_password_given(few: list[PatientStory]) -> None:
    passwords = {account.username: f"{account.username}-cobalt-19" for account in Cast.read().accounts}
    load(few[:1], Cast.read(), UNTIL, passwords)
    assert {membership.role for membership in Membership.objects.all()} == set(Role.values)
    for username, password in passwords.items():
        assert authenticate(HttpRequest(), username=username, password=password) is not None
        assert authenticate(HttpRequest(), username=username, password=PASSWORD) is None


def test_roles_reach_as_far_as_they_should() -> None:
    take_in(Cast.read(), UNTIL, lambda _: PASSWORD)

    def units_of(username: str) -> set[str]:
        return set(Membership.objects.filter(user__username=username).values_list("unit__code", flat=True))

    everywhere = {"brackwold", "ottermere", "sallowmoor"}
    assert units_of("auditlead") == units_of("coordinator") == everywhere
    assert units_of("surgeon.alder") == units_of("clinician") == units_of("administrator") == {"brackwold"}
    assert units_of("surgeon.larch") == {"ottermere"}
    assert User.objects.get(username="surgeon.alder").surgeon.name == "Dr Alder"
    assert not User.objects.filter(is_superuser=True).exists()


def test_surgeons_without_a_sign_in_have_an_account_nobody_can_use() -> None:
    take_in(Cast.read(), UNTIL, lambda _: PASSWORD)
    beech = Surgeon.objects.get(code="S02").user
    assert beech is not None
    assert not beech.has_usable_password()
    assert [each.role for each in beech.memberships.all()] == [Role.SURGEON]
    assert User.objects.count() == 16
    assert not Surgeon.objects.filter(user=None).exists()


def test_surgeons_have_the_grades_they_held() -> None:
    take_in(Cast.read(), UNTIL, lambda _: PASSWORD)
    cedar = Surgeon.objects.get(code="S03")
    assert [each.grade for each in cedar.grades.all()] == ["fellow", "specialist", "consultant"]
    assert not Surgeon.objects.filter(grades=None).exists()
    assert {each.grade for each in GradePeriod.objects.all()} == set(Grade.values)


def test_each_distinct_password_is_hashed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    hashed: list[str] = []
    make = people.make_password
    monkeypatch.setattr(
        people, "make_password", lambda password: (hashed.append(password), make(password))[1]
    )
    take_in(Cast.read(), UNTIL, lambda username: PASSWORD if username == "clinician" else f"{PASSWORD}-2")
    assert sorted(hashed) == [PASSWORD, f"{PASSWORD}-2"]


def test_identities_are_sealed(few: list[PatientStory]) -> None:
    load(few, Cast.read(), UNTIL, lambda _: PASSWORD)
    for identity in Identity.objects.all():
        sealed = str(vars(identity))
        for plain in identity.opened().values():
            assert plain
            assert plain not in sealed
