"""Correcting what is on record: the reason, two people at one entry, and the difference in words."""

from datetime import date
from typing import Any

import pytest

from registry.models import (
    Correction,
    EndOfFollowUp,
    Imaging,
    IndexProcedure,
    Knee,
    Patient,
    Rehabilitation,
    Reoperation,
    ReoperationOnTear,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    SoftAnswer,
    Visit,
)
from registry.models.history_rules import BEFORE_SIGNING
from registry.pages.correct_patient import PatientCorrection
from registry.pages.correcting import NOTHING_CHANGED
from registry.pages.corrections import ReasonForm
from registry.pages.forms.events import KINDS
from registry.pages.forms.events.page import NewEvent, RecordedEvent
from registry.pages.rehabilitation import BothCourses
from registry.recording import Act, correct, latest_correction, record, sign
from registry.scoring.lysholm import LYSHOLM
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import Posted, another_repair, as_it_came, of_tear, path, text

DAY = date(2024, 10, 1)
BEST = {item.code: item.allowed[0] for item in LYSHOLM.items}


def a_visit(cast: Cast, **fields: Any) -> Visit:
    visit = Visit(knee=cast.knee, **{"seen_on": DAY, "flexion_deg": 120, **fields})
    record(visit)
    return visit


def a_look(cast: Cast, **finding: Any) -> SecondLook:
    look = SecondLook(knee=cast.knee, looked_on=DAY, reason="symptoms")
    shares = {"healed_thickness_percent": 100, "healed_length_percent": 100, "stable_on_probing": True}
    record(look, SecondLookFinding(look=look, tear=cast.repair.tear, **{**shares, **finding}))
    return look


def address(cast: Cast, kind: str, event: Any) -> str:
    return f"{path(cast, kind)}{event.uuid}/"


def page_of(cast: Cast, kind: str, event: Any) -> Posted:
    """The page of corrections as it is opened."""
    page = RecordedEvent.of(KINDS[kind], cast.knee, event)
    return {
        **as_it_came(page.forms),
        "correction-seen": str(latest_correction(event)),
        "correction-reason": "",
    }


def send(cast: Cast, kind: str, event: Any, page: Posted, who: str = "clinician") -> Any:
    return cast.client(who).post(address(cast, kind, event), page, follow=True)


# --- An event ----------------------------------------------------------------------------------

ONE_OF_EACH = {
    "visit": (lambda knee: Visit(knee=knee, seen_on=DAY), {"effusion": "slight"}),
    "score-lysholm": (
        lambda knee: ScoreResponse(knee=knee, answered_on=DAY, instrument="lysholm", items=BEST),
        {"pain": str(LYSHOLM.items[0].allowed[0]) if LYSHOLM.items[0].code == "pain" else ""},
    ),
    "second-look": (
        lambda knee: SecondLook(knee=knee, looked_on=DAY, reason="symptoms"),
        {"reason": "staged"},
    ),
    "imaging": (
        lambda knee: Imaging(knee=knee, imaged_on=DAY, modality="mri"),
        {"modality": "ct_arthrogram"},
    ),
    "reoperation": (
        lambda knee: Reoperation(knee=knee, operated_on=DAY, other_surgery="washout"),
        {"other_surgery": "hardware"},
    ),
    "end-of-follow-up": (
        lambda knee: EndOfFollowUp(patient=knee.patient, ended_on=DAY, reason="moved"),
        {"reason": "withdrew"},
    ),
}


@pytest.mark.parametrize("kind", ONE_OF_EACH)
def test_each_kind_is_corrected_with_a_reason(cast: Cast, kind: str) -> None:
    make, change = ONE_OF_EACH[kind]
    event = make(cast.knee)
    record(event)
    page = {**page_of(cast, kind, event), **change}
    refused = send(cast, kind, event, page)
    assert refused.status_code == 422
    assert "Reason for the correction is missing. Enter it." in text(refused)
    assert not Correction.objects.exists()
    done = send(cast, kind, event, {**page, "correction-reason": "read anew"})
    assert done.redirect_chain == [(f"/knees/{cast.knee.uuid}/", 302)]
    assert "corrected." in text(done)
    correction = Correction.objects.get()
    assert (correction.reason, correction.made_by) == ("read anew", cast.clinician)
    if kind != "score-lysholm":
        name, value = next(iter(change.items()))
        event.refresh_from_db()
        assert getattr(event, name) == value


def test_the_page_opens_as_it_is_on_record(cast: Cast) -> None:
    visit = a_visit(cast, effusion="marked", mcmurray=True)
    page = text(cast.client("clinician").get(address(cast, "visit", visit)))
    assert 'name="flexion_deg" value="120"' in page
    assert '<option value="marked" selected>' in page
    assert '<option value="true" selected>' in page
    assert 'type="date" name="seen_on"' in page or 'name="seen_on" value="2024-10-01"' in page


def test_nothing_changed_is_said(cast: Cast) -> None:
    visit = a_visit(cast)
    assert NOTHING_CHANGED in text(send(cast, "visit", visit, page_of(cast, "visit", visit)))
    assert not Correction.objects.exists()


def test_a_rule_holds_for_a_correction_too(cast: Cast) -> None:
    visit = a_visit(cast)
    page = {**page_of(cast, "visit", visit), "seen_on": "2024-02-01", "correction-reason": "wrong day"}
    response = send(cast, "visit", visit, page)
    assert response.status_code == 422
    assert "1 Feb 2024 lies before the operation on this knee" in text(response)
    assert Visit.objects.get().seen_on == DAY


@pytest.mark.parametrize("kind", ["death", "research-permission", "visit", "second-thoughts"])
def test_what_is_no_event_of_the_knee_is_not_found(cast: Cast, kind: str) -> None:
    look = a_look(cast)
    assert cast.client("clinician").get(address(cast, kind, look)).status_code == 404


# --- Findings ----------------------------------------------------------------------------------


def test_a_finding_is_corrected_added_and_cleared_in_one_act(cast: Cast) -> None:
    lateral = another_repair(cast)
    look = a_look(cast)
    page = {
        **page_of(cast, "second-look", look),
        **of_tear(cast.repair, healed_thickness_percent="60"),
        **of_tear(lateral, healed_thickness_percent="40", action="partial_removal"),
        "correction-reason": "second tear left out",
    }
    assert send(cast, "second-look", look, page).status_code == 200
    found = {finding.tear_id: finding for finding in SecondLookFinding.objects.filter(look=look)}
    assert found[cast.repair.tear_id].healed_thickness_percent == 60
    assert (found[lateral.tear_id].action, found[lateral.tear_id].healing_class) == (
        "partial_removal",
        "failed",
    )
    assert [each.kind for each in Correction.objects.all()] == ["corrected", "added"]
    cleared = {name: "" for name in page if name.startswith(f"tear-{lateral.tear_id}-")}
    cleared |= of_tear(
        lateral, stable_on_probing="unknown", sutures_covered="unknown", vessels_seen="unknown"
    )
    again = {**page_of(cast, "second-look", look), **cleared, **of_tear(lateral, action="none")}
    send(cast, "second-look", look, {**again, "correction-reason": "not looked at"})
    assert [finding.tear_id for finding in look.findings.all()] == [cast.repair.tear_id]
    withdrawn = SecondLookFinding.ever.get(tear=lateral.tear)
    assert not withdrawn.stands
    assert withdrawn.healed_thickness_percent == 40
    assert len({each.act for each in Correction.objects.all()}) == 2


def test_a_reoperation_keeps_something_done(cast: Cast) -> None:
    again = Reoperation(knee=cast.knee, operated_on=DAY)
    record(again, ReoperationOnTear(reoperation=again, tear=cast.repair.tear, action="re_repair"))
    cleared = {**page_of(cast, "reoperation", again), **of_tear(cast.repair, action="none")}
    response = send(cast, "reoperation", again, {**cleared, "correction-reason": "nothing done"})
    assert response.status_code == 422
    assert "Nothing was done in this reoperation." in text(response)
    page = {**page_of(cast, "reoperation", again), "planned": "on", "correction-reason": "it was planned"}
    send(cast, "reoperation", again, page)
    assert Reoperation.objects.get().planned


def test_a_soft_rule_asks_and_the_answer_is_kept(cast: Cast) -> None:
    new = NewEvent.of(KINDS["second-look"], cast.knee)
    page = {
        **as_it_came(new.forms),
        "entry": str(new.key),
        "looked_on": "2024-10-01",
        "reason": "symptoms",
        **of_tear(
            cast.repair,
            healed_thickness_percent="100",
            healed_length_percent="100",
            stable_on_probing="false",
        ),
    }
    client = cast.client("clinician")
    asked = client.post(path(cast, "second-look"), page)
    assert asked.status_code == 422
    assert "yet not stable on probing: are both as seen?" in text(asked)
    assert not SecondLook.objects.exists()
    answer = {f"answer-healed_yet_unstable-{cast.repair.tear_id}": "as seen, lax root"}
    assert client.post(path(cast, "second-look"), {**page, **answer}).status_code == 302
    kept = SoftAnswer.objects.get()
    assert (kept.look.reason, kept.tear, kept.code) == ("symptoms", cast.repair.tear, "healed_yet_unstable")
    assert kept.answer == "as seen, lax root"


def test_an_answer_goes_when_its_question_does(cast: Cast) -> None:
    look = a_look(cast, stable_on_probing=False)
    record(SoftAnswer(look=look, tear=cast.repair.tear, code="healed_yet_unstable", answer="as seen"))
    page = page_of(cast, "second-look", look)
    assert page[f"answer-healed_yet_unstable-{cast.repair.tear_id}"] == "as seen"
    stable = of_tear(cast.repair, stable_on_probing="true")
    send(cast, "second-look", look, {**page, **stable, "correction-reason": "was stable"})
    assert not SoftAnswer.objects.exists()
    assert not SoftAnswer.ever.get().stands


@pytest.mark.parametrize(
    ("thickness", "length", "words"),
    [
        ("95", "100", "Healed"),
        ("95", "90", "Partly healed"),
        ("50", "100", "Not healed"),
        ("", "100", "Not classed"),
    ],
)
def test_the_class_follows_what_is_typed(cast: Cast, thickness: str, length: str, words: str) -> None:
    prefix = f"tear-{cast.repair.tear_id}"
    typed = {f"{prefix}-healed_thickness_percent": thickness, f"{prefix}-healed_length_percent": length}
    page = text(
        cast.client("clinician").get(f"/knees/{cast.knee.uuid}/look-class/", {"finding": prefix, **typed})
    )
    assert f"Class: <strong>{words}" in page
    assert "cleft under 10 % of the thickness" in page
    assert "Henning et al. CORR 1990;252:64-72" in page


def test_the_class_goes_by_the_limits_of_the_unit(cast: Cast) -> None:
    factories.corrected(cast.unit, healed_cleft_below_percent=20, failed_cleft_from_percent=60)
    look = a_look(cast, healed_thickness_percent=85)
    page = text(cast.client("clinician").get(address(cast, "second-look", look)))
    assert "Class: <strong>Healed</strong>" in page
    assert "cleft under 20 %" in page
    assert "cleft from 60 % on" in page


# --- Two people --------------------------------------------------------------------------------


def test_the_second_is_told_and_nothing_is_lost(cast: Cast) -> None:
    visit = a_visit(cast)
    mine = {
        **page_of(cast, "visit", visit),
        "lachman": "2",
        "flexion_deg": "140",
        "correction-reason": "mine",
    }
    theirs = {
        **page_of(cast, "visit", visit),
        "effusion": "slight",
        "flexion_deg": "130",
        "correction-reason": "theirs",
    }
    assert send(cast, "visit", visit, theirs, "surgeon").status_code == 200
    response = send(cast, "visit", visit, mine)
    page = text(response)
    assert response.status_code == 409
    assert "Nothing of yours is saved yet." in page
    # Theirs, in words; mine beside what is on record now; what I left alone follows theirs.
    assert "<dt>Effusion</dt>" in page
    assert "oak: theirs" in page
    assert '<th scope="row">Visit: Flexion (deg)</th> <td>130</td> <td>140</td>' in page
    assert '<th scope="row">Visit: Lachman</th> <td>Nothing recorded</td> <td>2</td>' in page
    assert "Visit: Effusion" not in page
    assert '<option value="slight" selected>' in page
    assert 'name="flexion_deg" value="140"' in page
    assert 'name="correction-reason" value="mine"' in page
    visit.refresh_from_db()
    assert (visit.flexion_deg, visit.lachman) == (130, None)
    on_top = {**mine, "effusion": "slight", "correction-seen": str(latest_correction(visit))}
    assert f'name="correction-seen" value="{latest_correction(visit)}"' in page
    assert send(cast, "visit", visit, on_top).status_code == 200
    visit.refresh_from_db()
    assert (visit.flexion_deg, visit.lachman, visit.effusion) == (140, 2, "slight")
    assert list(Correction.objects.values_list("reason", flat=True)) == ["theirs", "mine"]


def test_a_finding_somebody_added_meanwhile_is_not_cleared_by_a_page_without_it(cast: Cast) -> None:
    lateral = another_repair(cast)
    look = a_look(cast)
    mine = {**page_of(cast, "second-look", look), "reason": "staged", "correction-reason": "mine"}
    finding = SecondLookFinding(look=look, tear=lateral.tear, healed_thickness_percent=70, vessels_seen=True)
    correct(finding, act=Act(cast.surgeon, "theirs"))
    response = send(cast, "second-look", look, mine)
    assert response.status_code == 409
    assert f'name="tear-{lateral.tear_id}-healed_thickness_percent" value="70"' in text(response)
    page = {**page_of(cast, "second-look", look), "reason": "staged", "correction-reason": "mine"}
    send(cast, "second-look", look, page)
    assert look.findings.count() == 2


def test_what_was_withdrawn_meanwhile_keeps_what_was_typed(cast: Cast) -> None:
    visit = a_visit(cast)
    mine = {**page_of(cast, "visit", visit), "lachman": "2", "correction-reason": "mine"}
    factories.withdrawn(visit)
    response = send(cast, "visit", visit, mine)
    assert response.redirect_chain == [(f"/knees/{cast.knee.uuid}/history/", 302)]
    assert "What you typed is kept as a draft" in text(response)
    draft = cast.clinician.drafts.get()
    assert draft.page == address(cast, "visit", visit)


# --- Patient, side -----------------------------------------------------------------------------


def of_patient(cast: Cast, **changes: str) -> Any:
    page = as_it_came(PatientCorrection(cast.knee).forms)
    seen = {"correction-seen": str(latest_correction(cast.knee.patient))}
    return cast.client("clinician").post(
        f"/knees/{cast.knee.uuid}/patient/", {**page, **seen, **changes}, follow=True
    )


def test_patient_and_side_are_corrected_with_a_reason(cast: Cast) -> None:
    change = {"sex": "male", "born_on": "1995-07-01", "side": "right"}
    assert "Reason for the correction is missing" in text(of_patient(cast, **change))
    assert of_patient(cast, **change, **{"correction-reason": "mixed up"}).status_code == 200
    patient, knee = Patient.objects.get(), Knee.objects.get()
    assert (patient.sex, patient.born_on, knee.side) == ("male", date(1995, 7, 1), "right")
    assert len({each.act for each in Correction.objects.all()}) == 1


def test_who_opens_the_page_after_the_side_was_corrected_meets_no_conflict(cast: Cast) -> None:
    of_patient(cast, side="right", **{"correction-reason": "mixed up"})
    page = text(cast.client("clinician").get(f"/knees/{cast.knee.uuid}/patient/"))
    mark = str(latest_correction(cast.knee))
    assert f'name="correction-seen" value="{mark}"' in page
    again = {"sex": "male", "side": "left", "correction-seen": mark, "correction-reason": "it was the left"}
    assert of_patient(cast, **again).status_code == 200
    assert (Knee.objects.get().side, Patient.objects.get().sex) == ("left", "male")


def test_patient_and_side_changed_meanwhile_are_told_together(cast: Cast) -> None:
    factories.corrected(cast.knee.patient, sex="male")
    factories.corrected(cast.knee, side="right")
    mine = {"born_on": "1995-07-01", "side": "left", "correction-seen": "0", "correction-reason": "mine"}
    response = of_patient(cast, **mine)
    page = text(response)
    assert response.status_code == 409
    assert "<dt>Sex</dt>" in page
    assert "<dt>Side</dt>" in page
    assert f'name="correction-seen" value="{latest_correction(cast.knee)}"' in page
    assert Knee.objects.get().side == "right"


def test_the_side_stays_when_the_other_knee_is_on_record(cast: Cast) -> None:
    record(Knee(patient=cast.knee.patient, side="right"))
    page = text(cast.client("clinician").get(f"/knees/{cast.knee.uuid}/patient/"))
    assert 'name="side"' not in page
    assert "this one keeps its side" in page
    of_patient(cast, side="right", **{"correction-reason": "mixed up"})
    cast.knee.refresh_from_db()
    assert cast.knee.side == "left"


def test_a_birth_after_an_operation_is_refused(cast: Cast) -> None:
    response = of_patient(cast, born_on="2024-03-02", **{"correction-reason": "typing error"})
    assert response.status_code == 422
    assert "born_on lies after an operation on this patient" in text(response)
    assert not Correction.objects.exists()


# --- Rehabilitation ----------------------------------------------------------------------------


def of_rehabilitation(cast: Cast, operation: IndexProcedure, **changes: str) -> Any:
    page = as_it_came(BothCourses(operation).forms)
    seen = {"correction-seen": str(latest_correction(operation))}
    url = f"/knees/{cast.knee.uuid}/operations/{operation.uuid}/rehabilitation/"
    return cast.client("clinician").post(url, {**page, **seen, **changes}, follow=True)


def test_rehabilitation_as_it_went_stands_beside_the_plan(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    record(Rehabilitation(procedure=operation, course="planned", brace_weeks=6))
    assert of_rehabilitation(cast, operation, **{"actual-brace_weeks": "8"}).status_code == 200
    assert Rehabilitation.objects.get(course="actual").brace_weeks == 8
    assert Correction.objects.get().reason == "Rehabilitation entered"
    url = f"/knees/{cast.knee.uuid}/operations/{operation.uuid}/rehabilitation/"
    page = text(cast.client("clinician").get(url))
    assert '<td class="number">6</td> <td class="number">8</td>' in page


def test_what_is_on_record_of_it_changes_with_a_reason_once_the_note_is_signed(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    record(Rehabilitation(procedure=operation, course="planned", brace_weeks=6))
    of_rehabilitation(cast, operation, **{"planned-brace_weeks": "4"})
    assert Correction.objects.get().reason == BEFORE_SIGNING
    sign(operation, cast.surgeon)
    assert "Reason for the correction is missing" in text(
        of_rehabilitation(cast, operation, **{"planned-brace_weeks": "5"})
    )
    of_rehabilitation(cast, operation, **{"planned-brace_weeks": "5", "correction-reason": "typing error"})
    assert Rehabilitation.objects.get().brace_weeks == 5


def test_a_plan_added_to_a_signed_note_gives_its_reason(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    sign(operation, cast.surgeon)
    plan = {"planned-brace_weeks": "6"}
    assert "Reason for the correction is missing" in text(of_rehabilitation(cast, operation, **plan))
    assert not Rehabilitation.objects.exists()
    of_rehabilitation(cast, operation, **plan, **{"correction-reason": "left out of the note"})
    assert Rehabilitation.objects.get().brace_weeks == 6
    assert Correction.objects.latest("pk").reason == "left out of the note"


def test_rehabilitation_is_recorded_by_who_follows_up_where_it_was_operated(cast: Cast) -> None:
    yew = factories.a_surgeon(cast.other_unit, "yew")
    later = date(2024, 9, 1)
    theirs = factories.an_operation(cast.other_unit, yew, cast.knee, operated_on=later, injured_on=None)
    at = f"/knees/{cast.knee.uuid}/operations/{theirs.uuid}/rehabilitation/"
    assert cast.client("clinician").get(at).status_code == 403
    assert of_rehabilitation(cast, theirs, **{"actual-brace_weeks": "8"}).status_code == 403
    assert not Rehabilitation.objects.exists()
    assert at not in text(cast.client("clinician").get(f"/knees/{cast.knee.uuid}/"))
    assert cast.client("stranger").get(at).status_code == 200


def test_half_a_limit_of_flexion_is_refused(cast: Cast) -> None:
    response = of_rehabilitation(cast, cast.repair.tear.procedure, **{"actual-flexion_limit_deg": "90"})
    assert response.status_code == 422
    assert "A limit of flexion needs its degrees and its weeks." in text(response)


# --- The reason --------------------------------------------------------------------------------


def test_an_unsigned_note_needs_no_reason_and_a_signed_one_does(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    unsigned = ReasonForm(operation, {"correction-reason": ""})
    assert unsigned.is_valid()
    assert unsigned.act(cast.surgeon).reason == BEFORE_SIGNING
    sign(operation, cast.surgeon)
    assert not ReasonForm(operation, {"correction-reason": ""}).is_valid()
