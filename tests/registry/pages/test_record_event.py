"""Record what happened to a knee: each kind end to end, and what is refused."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.db.models import Model
from django.db.models.signals import pre_save
from django.test.utils import CaptureQueriesContext

from registry.models import (
    Complication,
    Contact,
    Correction,
    EndOfFollowUp,
    Imaging,
    ImagingFinding,
    Patient,
    PlannedTimePoint,
    Reoperation,
    ReoperationOnTear,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    Visit,
)
from registry.pages.correcting import NOTHING_CHANGED
from registry.pages.forms.events import KINDS, OfPatientForm
from registry.pages.forms.events.page import EventPage, NewEvent, RecordedEvent
from registry.pages.record_event import CHANGED_SINCE, SENT_TWICE
from registry.recording import latest_correction, record
from registry.scoring.lysholm import LYSHOLM
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import Posted, another_repair, as_it_came, of_tear, path, text

DAY = "2024-10-01"
BEST_LYSHOLM = {item.code: str(item.allowed[0]) for item in LYSHOLM.items}


@dataclass(frozen=True)
class Case:
    """A sound entry, what it leaves in the record, and what the Knee story says of it."""

    entry: Posted
    model: type[Model]
    kept: dict[str, Any]
    told: tuple[str, ...]


CASES = {
    "visit": Case(
        {
            "seen_on": DAY,
            "time_point": "6m",
            "effusion": "none",
            "joint_line_tenderness": "false",
            "mcmurray": "false",
            "flexion_deg": "135",
            "extension_deg": "-5",
        },
        Visit,
        {"seen_on": date(2024, 10, 1), "mcmurray": False, "extension_deg": -5, "lachman": None},
        ("Visit, 6 months", "<dd> Healed </dd>"),
    ),
    "score-lysholm": Case(
        {"answered_on": DAY, "reoperated_since": "no", **BEST_LYSHOLM},
        ScoreResponse,
        {
            "scale_values": {"total": 100.0},
            "instrument": "lysholm",
            "instrument_version": "1985",
            "reoperated_since": "no",
        },
        ("Lysholm: 100 of 100",),
    ),
    "second-look": Case(
        {"looked_on": DAY, "reason": "symptoms"}, SecondLook, {"reason": "symptoms"}, ("Second look",)
    ),
    "imaging": Case(
        {"imaged_on": DAY, "modality": "mr_arthrogram"},
        Imaging,
        {"modality": "mr_arthrogram"},
        ("MR arthrogram",),
    ),
    "reoperation": Case(
        {"operated_on": DAY, "planned": "on", "other_surgery": "ligament"},
        Reoperation,
        {"planned": True, "other_surgery": "ligament"},
        ("Reoperation", "<dd> Ligament </dd>"),
    ),
    "complication": Case(
        {
            "noticed_on": DAY,
            "kind": "saphenous_nerve",
            "severity": "I",
            "found_by": "symptoms",
            "resolved_on": "2024-10-05",
        },
        Complication,
        {"kind": "saphenous_nerve", "resolved_on": date(2024, 10, 5)},
        ("Complication: Saphenous nerve",),
    ),
    "contact": Case(
        {"contacted_on": DAY, "source": "letter"}, Contact, {"source": "letter"}, ("Contact: Letter",)
    ),
    "research-permission": Case(
        {"research_permission_on": DAY, "research_permission": "given"},
        Patient,
        {"research_permission": "given", "research_permission_on": date(2024, 10, 1)},
        ("<h3>Research permission: Given</h3>",),
    ),
    "end-of-follow-up": Case(
        {"ended_on": DAY, "reason": "lost", "attempts": "3"},
        EndOfFollowUp,
        {"reason": "lost", "attempts": 3},
        ("End of follow-up", "Lost after repeated attempts"),
    ),
    "death": Case({"died_on": DAY}, Patient, {"died_on": date(2024, 10, 1)}, ("<h3>Death</h3>",)),
}


# Kinds whose event is a date of the patient, and kinds that may lie before the operation.
OF_PATIENT = {"death": "died_on", "research-permission": "research_permission_on"}
AT_ANY_TIME = ("score-lysholm", "research-permission")


def recorded(kind: str) -> int:
    if kind in OF_PATIENT:
        return Patient.objects.exclude(**{OF_PATIENT[kind]: None}).count()
    return CASES[kind].model._default_manager.count()


def post(cast: Cast, kind: str, entry: Posted) -> Any:
    """Send the whole page, with these controls filled in."""
    return cast.client("clinician").post(path(cast, kind), {**untouched(cast, kind), **entry})


def untouched(cast: Cast, kind: str) -> Posted:
    """The page as it is opened, with the mark of this one entry."""
    page = opened(cast, kind)
    seen = {"correction-seen": str(latest_correction(cast.knee.patient))}
    return {**as_it_came(page.forms), **({"entry": str(page.key)} if isinstance(page, NewEvent) else seen)}


def opened(cast: Cast, kind: str) -> EventPage:
    chosen = KINDS[kind]
    if issubclass(chosen.form, OfPatientForm):
        return RecordedEvent.of(chosen, cast.knee, cast.knee.patient)
    return NewEvent.of(chosen, cast.knee)


def test_every_kind_is_tried() -> None:
    """Of the scores one; the others are tried in test_scores_entry.py."""
    others = {slug for slug in KINDS if not slug.startswith("score-")}
    assert set(CASES) == {*others, "score-lysholm"}


@pytest.mark.parametrize("kind", CASES)
def test_each_kind_end_to_end(cast: Cast, kind: str) -> None:
    case, client = CASES[kind], cast.client("clinician")
    story = f"/knees/{cast.knee.uuid}/"
    menu = path(cast, "score") if kind.startswith("score-") else story
    assert f'href="{path(cast, kind)}"' in text(client.get(menu))
    assert client.get(path(cast, kind)).status_code == 200
    assert post(cast, kind, case.entry).headers["Location"] == story
    row = case.model._default_manager.get()
    assert {name: getattr(row, name) for name in case.kept} == case.kept
    page = text(client.get(story))
    assert all(words in page for words in case.told)


@pytest.mark.parametrize("kind", CASES)
def test_an_empty_page_is_no_event(cast: Cast, kind: str) -> None:
    response = cast.client("clinician").post(path(cast, kind), untouched(cast, kind), follow=True)
    # Not to have been asked for permission is what the record says of everybody at first.
    permission = kind == "research-permission"
    assert response.status_code == (200 if permission else 422)
    assert (NOTHING_CHANGED if permission else "is missing. Enter it.") in text(response)
    assert recorded(kind) == 0


@pytest.mark.parametrize("kind", [kind for kind in CASES if kind not in (*AT_ANY_TIME, "end-of-follow-up")])
def test_nothing_lies_before_the_operation(cast: Cast, kind: str) -> None:
    """A score may: people answer one before they are operated on; and they may be asked for permission."""
    case = CASES[kind]
    response = post(cast, kind, {**case.entry, next(iter(case.entry)): "2024-02-29"})
    assert response.status_code == 422
    assert "29 Feb 2024 lies before the" in text(response)
    assert recorded(kind) == 0


@pytest.mark.parametrize("kind", CASES)
def test_nothing_lies_in_the_future(cast: Cast, kind: str) -> None:
    case = CASES[kind]
    response = post(cast, kind, {**case.entry, next(iter(case.entry)): "2999-12-31"})
    assert "31 Dec 2999 lies in the future" in text(response)
    assert recorded(kind) == 0


@pytest.mark.parametrize("kind", CASES)
def test_the_same_page_sent_twice_records_once(cast: Cast, kind: str) -> None:
    client = cast.client("clinician")
    page = {**untouched(cast, kind), **CASES[kind].entry}
    first, second = (client.post(path(cast, kind), page, follow=True) for _ in range(2))
    assert recorded(kind) == 1
    assert "recorded." in text(first)
    assert (NOTHING_CHANGED if kind in OF_PATIENT else SENT_TWICE) in text(second)


@pytest.mark.parametrize("kind", [kind for kind in CASES if kind not in OF_PATIENT])
def test_the_same_event_on_another_page_is_refused(cast: Cast, kind: str) -> None:
    post(cast, kind, CASES[kind].entry)
    again = post(cast, kind, CASES[kind].entry)
    assert recorded(kind) == 1
    assert again.status_code == 422
    assert "already" in text(again) or "is on record. Correct or withdraw that one." in text(again)


def test_a_page_recorded_and_then_changed_is_a_correction(cast: Cast) -> None:
    page = {**untouched(cast, "visit"), **CASES["visit"].entry}
    client = cast.client("clinician")
    client.post(path(cast, "visit"), page)
    response = client.post(path(cast, "visit"), {**page, "flexion_deg": "90"})
    visit = Visit.objects.get()
    assert response.status_code == 422
    assert CHANGED_SINCE in text(response)
    assert f'href="{path(cast, "visit")}{visit.uuid}/"' in text(response)
    assert 'value="90"' in text(response)
    assert visit.flexion_deg == 135


def test_a_page_sent_again_after_its_entry_was_withdrawn_leads_to_the_history(cast: Cast) -> None:
    page = {**untouched(cast, "visit"), **CASES["visit"].entry}
    client = cast.client("clinician")
    client.post(path(cast, "visit"), page)
    factories.withdrawn(Visit.objects.get())
    response = client.post(path(cast, "visit"), page, follow=True)
    assert response.redirect_chain == [(f"/knees/{cast.knee.uuid}/history/", 302)]
    assert "has been withdrawn since" in text(response)
    assert not Visit.objects.exists()


def test_who_recorded_it_is_kept(cast: Cast) -> None:
    post(cast, "visit", CASES["visit"].entry)
    assert Visit.objects.get().recorded_by == cast.clinician


def test_an_end_on_record_is_corrected_and_not_recorded_again(cast: Cast) -> None:
    post(cast, "end-of-follow-up", CASES["end-of-follow-up"].entry)
    end = EndOfFollowUp.objects.get()
    response = cast.client("clinician").get(path(cast, "end-of-follow-up"))
    assert response.headers["Location"] == f"{path(cast, 'end-of-follow-up')}{end.uuid}/"


# --- Visits ------------------------------------------------------------------------------------


@pytest.mark.parametrize("point", ["", "6m"])
def test_a_visit_of_which_nothing_is_told_is_none(cast: Cast, point: str) -> None:
    response = post(cast, "visit", {"seen_on": DAY, "time_point": point})
    assert response.status_code == 422
    assert "Nothing was recorded of this visit. Enter what was found;" in text(response)
    assert not Visit.objects.exists()
    assert post(cast, "visit", {"seen_on": DAY, "lachman": "0"}).status_code == 302


@pytest.mark.parametrize(("days", "point"), [(42, "6w"), (60, "unplanned"), (183, "6m"), (365, "12m")])
def test_a_time_point_left_follows_from_the_date(cast: Cast, days: int, point: str) -> None:
    page = text(cast.client("clinician").get(path(cast, "visit")))
    assert '<option value="" selected>By its date</option>' in page
    seen_on = factories.OPERATED_ON + timedelta(days=days)
    post(cast, "visit", {"seen_on": f"{seen_on}", "lachman": "0"})
    visit = Visit.objects.get()
    assert visit.time_point == point
    page = text(cast.client("clinician").get(f"{path(cast, 'visit')}{visit.uuid}/"))
    assert f'<option value="{point}" selected>' in page
    assert "By its date" not in page


def test_the_date_counts_from_the_latest_operation_by_the_plan_of_the_unit(cast: Cast) -> None:
    record(PlannedTimePoint(unit=cast.unit, time_point="3m", due_day=30, window_days=5))
    again, later = (factories.OPERATED_ON + timedelta(days=days) for days in (400, 800))
    for day in (again, later):
        factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=day, injured_on=None)
    for days, point in ((32, "3m"), (42, "unplanned")):
        seen_on = again + timedelta(days=days)
        post(cast, "visit", {"seen_on": f"{seen_on}", "lachman": "0"})
        assert Visit.objects.get(seen_on=seen_on).time_point == point


def test_a_visit_left_to_its_date_and_sent_twice_is_recorded_once(cast: Cast) -> None:
    page = {**untouched(cast, "visit"), "seen_on": DAY, "lachman": "0"}
    client = cast.client("clinician")
    client.post(path(cast, "visit"), page)
    assert SENT_TWICE in text(client.post(path(cast, "visit"), page, follow=True))
    assert Visit.objects.count() == 1


# --- Research permission -----------------------------------------------------------------------


@pytest.mark.parametrize("answer", ["given", "refused", "withdrawn"])
def test_a_permission_asked_for_has_its_date(cast: Cast, answer: str) -> None:
    response = post(cast, "research-permission", {"research_permission": answer})
    assert response.status_code == 422
    assert "Enter the day on which the patient answered." in text(response)
    assert recorded("research-permission") == 0


def test_a_permission_not_asked_for_has_none(cast: Cast) -> None:
    entry = {"research_permission": "not_asked", "research_permission_on": DAY}
    assert "Choose the answer, or clear the date." in text(post(cast, "research-permission", entry))
    assert recorded("research-permission") == 0


def test_a_permission_may_be_withdrawn_later(cast: Cast) -> None:
    given = CASES["research-permission"].entry
    post(cast, "research-permission", given)
    withdrawn = {"research_permission": "withdrawn", "research_permission_on": "2024-12-01"}
    unexplained = post(cast, "research-permission", withdrawn)
    assert "Reason for the correction is missing. Enter it." in text(unexplained)
    reasoned = {**withdrawn, "correction-reason": "letter of the patient"}
    assert post(cast, "research-permission", reasoned).status_code == 302
    patient = Patient.objects.get()
    assert (patient.research_permission, patient.research_permission_on) == ("withdrawn", date(2024, 12, 1))
    assert "<h3>Research permission: Withdrawn</h3>" in text(
        cast.client("audit_lead").get(f"/knees/{cast.knee.uuid}/")
    )


@pytest.mark.parametrize(
    ("who", "status"), [("surgeon", 302), ("clinician", 302), ("audit_lead", 403), ("coordinator", 404)]
)
def test_permission_is_recorded_by_who_follows_up(cast: Cast, who: str, status: int) -> None:
    entry = CASES["research-permission"].entry
    assert cast.client(who).post(path(cast, "research-permission"), entry).status_code == status


@pytest.mark.parametrize("kind", OF_PATIENT)
def test_the_first_answer_gives_its_reason_by_itself(cast: Cast, kind: str) -> None:
    post(cast, kind, CASES[kind].entry)
    correction = Correction.objects.get()
    assert correction.made_by == cast.clinician
    assert (
        correction.reason
        == {"death": "Death recorded", "research-permission": "Research permission asked"}[kind]
    )


def test_a_death_of_another_patient_is_taken_back_with_a_reason(cast: Cast) -> None:
    post(cast, "death", CASES["death"].entry)
    assert "Reason for the correction is missing" in text(post(cast, "death", {"died_on": ""}))
    assert post(cast, "death", {"died_on": "", "correction-reason": "another patient"}).status_code == 302
    assert Patient.objects.get().died_on is None


# --- Findings ----------------------------------------------------------------------------------


def test_a_look_tells_of_each_tear_or_not(cast: Cast) -> None:
    lateral = another_repair(cast)
    page = text(cast.client("clinician").get(path(cast, "second-look")))
    assert "Tear 1: longitudinal-vertical tear, medial meniscus" in page
    assert "Tear 2: longitudinal-vertical tear, lateral meniscus" in page
    finding = of_tear(
        lateral, healed_thickness_percent="51", healed_length_percent="100", stable_on_probing="true"
    )
    assert post(cast, "second-look", {**CASES["second-look"].entry, **finding}).status_code == 302
    found = SecondLookFinding.objects.get()
    assert (found.tear, found.healing_class, found.vessels_seen) == (lateral.tear, "partly", None)


def test_what_is_found_later_joins_the_same_look(cast: Cast) -> None:
    lateral = another_repair(cast)
    look = CASES["second-look"].entry
    for repair, share in ((cast.repair, "100"), (lateral, "40")):
        finding = of_tear(repair, healed_thickness_percent=share, healed_length_percent="100")
        assert post(cast, "second-look", {**look, **finding}).status_code == 302
    assert SecondLook.objects.count() == 1
    assert [f.healing_class for f in SecondLookFinding.objects.order_by("pk")] == ["healed", "failed"]


def test_what_contradicts_the_recorded_look_is_refused(cast: Cast) -> None:
    post(cast, "second-look", CASES["second-look"].entry)
    finding = of_tear(cast.repair, healed_thickness_percent="100")
    response = post(cast, "second-look", {"looked_on": DAY, "reason": "staged", **finding})
    page = text(response)
    assert "The second look of 1 Oct 2024 is on record with: Symptoms. Choose that to add to it" in page
    assert SecondLookFinding.objects.count() == 0


def test_what_joins_a_recorded_reoperation_agrees_with_it(cast: Cast) -> None:
    post(cast, "reoperation", CASES["reoperation"].entry)
    done = of_tear(cast.repair, action="re_repair", site="same")
    entry = {**CASES["reoperation"].entry, **done}
    del entry["planned"]
    page = text(post(cast, "reoperation", entry))
    assert "The reoperation of 1 Oct 2024 is on record with: Yes. Choose that to add to it" in page
    assert ReoperationOnTear.objects.count() == 0


def test_one_bad_finding_keeps_the_whole_look_out(cast: Cast) -> None:
    lateral = another_repair(cast)
    findings = {
        **of_tear(cast.repair, healed_thickness_percent="100"),
        **of_tear(lateral, healed_thickness_percent="101"),
    }
    response = post(cast, "second-look", {**CASES["second-look"].entry, **findings})
    assert "Healed thickness 101 is outside 0 to 100." in text(response)
    assert SecondLook.objects.count() == SecondLookFinding.objects.count() == 0


def test_a_tear_of_another_knee_is_not_on_the_page(cast: Cast) -> None:
    elsewhere = factories.a_repair(factories.an_operation(cast.unit, cast.oak))
    finding = of_tear(elsewhere, healed_thickness_percent="0")
    assert post(cast, "second-look", {**CASES["second-look"].entry, **finding}).status_code == 302
    assert SecondLookFinding.objects.count() == 0


def test_imaging_and_reoperation_tell_of_tears_too(cast: Cast) -> None:
    seen = of_tear(cast.repair, healed="failed", signal_to_surface="both", extrusion_mm="2.5")
    done = of_tear(cast.repair, action="re_repair", site="same")
    assert post(cast, "imaging", {**CASES["imaging"].entry, **seen}).status_code == 302
    assert post(cast, "reoperation", {**CASES["reoperation"].entry, **done}).status_code == 302
    assert ImagingFinding.objects.get().healed == "failed"
    assert ReoperationOnTear.objects.get().action == "re_repair"
    story = text(cast.client("clinician").get(f"/knees/{cast.knee.uuid}/"))
    assert "<dd> Both surfaces </dd>" in story
    assert "<dd> Re-repair </dd>" in story


def test_work_in_a_second_look_says_that_it_counts_as_a_reoperation(cast: Cast) -> None:
    page = text(cast.client("clinician").get(path(cast, "second-look")))
    assert "Counts as a reoperation of this day: do not record it as a reoperation as well." in page


def test_a_reoperation_that_left_the_menisci_alone_says_nothing_of_tears(cast: Cast) -> None:
    untouched = of_tear(cast.repair, action="none", site="same")
    assert post(cast, "reoperation", {**CASES["reoperation"].entry, **untouched}).status_code == 302
    assert Reoperation.objects.count() == 1
    assert ReoperationOnTear.objects.count() == 0


@pytest.mark.parametrize("site", ["same", "new"])
def test_a_reoperation_in_which_nothing_was_done_is_a_second_look(cast: Cast, site: str) -> None:
    untouched = of_tear(cast.repair, action="none", site=site)
    response = post(cast, "reoperation", {"operated_on": DAY, "other_surgery": "none", **untouched})
    assert response.status_code == 422
    assert "Nothing was done in this reoperation." in text(response)
    assert "record a second look instead" in text(response)
    assert Reoperation.objects.count() == 0


def test_work_on_a_tear_alone_is_a_reoperation(cast: Cast) -> None:
    done = of_tear(cast.repair, action="partial_removal", site="same")
    entry = {"operated_on": DAY, "other_surgery": "none", **done}
    assert post(cast, "reoperation", entry).status_code == 302


# --- Staged knees ------------------------------------------------------------------------------


def staged(cast: Cast) -> None:
    factories.corrected(cast.repair.tear.procedure, staging="repair_first", acl="staged")


def test_a_staged_knee_proposes_its_second_look(cast: Cast) -> None:
    chosen = '<option value="staged" selected>'
    client = cast.client("clinician")
    assert chosen not in text(client.get(path(cast, "second-look")))
    staged(cast)
    assert chosen in text(client.get(path(cast, "second-look")))
    post(cast, "second-look", {**CASES["second-look"].entry, "reason": "staged"})
    assert chosen not in text(client.get(path(cast, "second-look")))


@pytest.mark.parametrize(
    ("is_staged", "other_surgery", "offered"),
    [(True, "ligament", True), (True, "washout", False), (False, "ligament", False)],
)
def test_after_the_ligament_operation_the_second_look_of_that_day_is_offered(
    cast: Cast, is_staged: bool, other_surgery: str, offered: bool
) -> None:
    if is_staged:
        staged(cast)
    page = {**untouched(cast, "reoperation"), "operated_on": DAY, "other_surgery": other_surgery}
    client = cast.client("clinician")
    said = text(client.post(path(cast, "reoperation"), page, follow=True))
    link = f"{path(cast, 'second-look')}?on={DAY}"
    assert (f'<a href="{link}">Record the second look of 1 Oct 2024</a>' in said) is offered
    if offered:
        assert f'name="looked_on" value="{DAY}"' in text(client.get(link))


@pytest.mark.parametrize("day", ["", "soon", "2024-13-01"])
def test_a_day_that_is_none_fills_in_nothing(cast: Cast, day: str) -> None:
    response = cast.client("clinician").get(path(cast, "second-look"), {"on": day})
    assert response.status_code == 200
    assert 'name="looked_on" value' not in text(response)


def test_more_tears_take_no_more_queries(cast: Cast) -> None:
    client, counts = cast.client("clinician"), []
    client.get(path(cast, "second-look"))  # notes the opening, once a day
    for tears in (1, 4):
        for _ in range(tears):
            another_repair(cast)
        with CaptureQueriesContext(connection) as queries:
            client.get(path(cast, "second-look"))
        counts.append(len(queries))
    assert counts[0] == counts[1]


# --- The end -----------------------------------------------------------------------------------


def test_a_death_does_not_lie_before_the_last_sign_of_life(cast: Cast) -> None:
    factories.a_contact(cast.repair, days=300)
    day = factories.OPERATED_ON + timedelta(days=299)
    response = post(cast, "death", {"died_on": day.isoformat()})
    assert "lies before the last day the patient was seen alive, 26 Dec 2024. Correct it." in text(response)
    cast.knee.patient.refresh_from_db()
    assert cast.knee.patient.died_on is None


def test_nothing_happens_after_death(cast: Cast) -> None:
    factories.corrected(cast.knee.patient, died_on=date(2024, 9, 30))
    response = post(cast, "visit", CASES["visit"].entry)
    assert "1 Oct 2024 lies after the patient's death (30 Sep 2024). Correct it." in text(response)
    assert Visit.objects.count() == 0


def test_lost_says_after_how_many_attempts(cast: Cast) -> None:
    response = post(cast, "end-of-follow-up", {"ended_on": DAY, "reason": "lost"})
    assert "Lost means attempts were made. Say how many." in text(response)
    assert EndOfFollowUp.objects.count() == 0


def test_nobody_leaves_before_the_first_operation(cast: Cast) -> None:
    response = post(cast, "end-of-follow-up", {"ended_on": "2024-02-28", "reason": "moved"})
    assert "28 Feb 2024 lies before the first operation (1 Mar 2024). Correct it." in text(response)
    assert EndOfFollowUp.objects.count() == 0


def test_an_end_is_offered_once(cast: Cast) -> None:
    post(cast, "end-of-follow-up", CASES["end-of-follow-up"].entry)
    post(cast, "death", CASES["death"].entry)
    story = text(cast.client("clinician").get(f"/knees/{cast.knee.uuid}/"))
    assert f'href="{path(cast, "visit")}">Visit</a>' in story
    assert f'href="{path(cast, "end-of-follow-up")}">End of follow-up</a>' not in story
    assert f'href="{path(cast, "death")}">Death</a>' not in story


def test_a_complication_is_not_resolved_before_it_was_noticed(cast: Cast) -> None:
    response = post(cast, "complication", {**CASES["complication"].entry, "resolved_on": "2024-09-30"})
    assert "It was resolved before it was noticed. Correct one of the dates." in text(response)
    assert Complication.objects.count() == 0


def test_what_only_the_database_could_see_is_said_in_its_words(cast: Cast) -> None:
    """Somebody records the death between the check of this visit and its saving."""

    def rival(instance: Visit, **_: Any) -> None:
        factories.corrected_in_database(instance.knee.patient, died_on=date(2024, 9, 30))

    pre_save.connect(rival, sender=Visit)
    try:
        response = post(cast, "visit", CASES["visit"].entry)
    finally:
        pre_save.disconnect(rival, sender=Visit)
    assert response.status_code == 422
    assert (
        "Nothing was saved, because the database refused it: seen_on lies after the patient's death."
        in text(response)
    )
    assert Visit.objects.count() == 0
