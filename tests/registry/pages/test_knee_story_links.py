"""Knee story: who entered and signed what, who may do what about it, what is withdrawn, what is missing."""

from datetime import UTC, date, datetime

import pytest

from registry.models import Reoperation, SecondLook, SecondLookFinding, Visit
from registry.recording import Act, correct, latest_correction, record, sign
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.test_knee_story import after, story
from tests.registry.whole import whole_operation

ALL = ("surgeon", "colleague", "clinician", "audit_lead")
OPERATE = ("surgeon", "colleague")
FOLLOW = (*OPERATE, "clinician")


def moment(page: str, title: str) -> str:
    """One entry of the time line, from its heading to its end."""
    return page.split(f"<h3>{title}</h3>")[1].split("</li>")[0]


def a_visit(cast: Cast, **fields: object) -> Visit:
    visit = Visit(knee=cast.knee, seen_on=after(42), **fields)
    record(visit, by=cast.clinician)
    return visit


# --- Kept --------------------------------------------------------------------------------------


def test_who_entered_it_and_when(cast: Cast) -> None:
    cast.clinician.first_name, cast.clinician.last_name = "Ada", "Lime"
    cast.clinician.save()
    a_visit(cast, recorded_at=datetime(2024, 4, 15, 12, tzinfo=UTC))
    assert "Entered 15 Apr 2024 by Ada Lime." in moment(story(cast), "Visit, unplanned")
    assert "Entered 1 Mar 2024. Not signed." in moment(story(cast), "Operation")


def test_people_of_another_unit_are_not_named(cast: Cast) -> None:
    yew = factories.a_surgeon(cast.other_unit, "yew")
    factories.an_operation(cast.other_unit, yew, cast.knee, operated_on=after(300), injured_on=None)
    a_visit(cast)
    page = story(cast, who="stranger")
    assert "by another unit." in moment(page, "Visit, unplanned")
    assert "clinician" not in page


def test_a_signed_note_says_by_whom_and_offers_no_more_signing(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    assert "Sign<span" in moment(story(cast), "Operation")
    sign(operation, cast.surgeon)
    told = moment(story(cast), "Operation")
    assert "by oak." in told
    assert "Not signed" not in told
    assert "Sign<span" not in told


def test_corrections_are_counted_by_act(cast: Cast) -> None:
    visit = a_visit(cast)
    assert "Corrected" not in story(cast)
    visit.lachman, visit.pivot = 1, 1
    correct(visit, act=Act(cast.surgeon, "misread"))
    assert "Corrected once." in moment(story(cast), "Visit, unplanned")
    factories.corrected(visit, lachman=2)
    assert "Corrected 2 times." in moment(story(cast), "Visit, unplanned")
    assert "Corrected" not in moment(story(cast), "Operation")
    tear = cast.repair.tear
    tear.length_mm, cast.repair.rasped = 12, True
    correct(tear, cast.repair, act=Act(cast.surgeon, "from the film"))
    assert "Corrected once." in moment(story(cast), "Operation")


def test_a_finding_taken_out_counts_as_a_correction(cast: Cast) -> None:
    look = SecondLook(knee=cast.knee, looked_on=after(200), reason="symptoms")
    finding = SecondLookFinding(look=look, tear=cast.repair.tear, healed_thickness_percent=60)
    record(look, finding)
    factories.withdrawn(finding)
    assert "Corrected once." in moment(story(cast), "Second look")


def test_a_correction_after_signing_is_told_as_such(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    factories.corrected(operation, bmi=31)
    sign(operation, cast.surgeon)
    told = moment(story(cast), "Operation")
    assert "Corrected once." in told
    assert "after signing" not in told
    factories.corrected(operation, bmi=32)
    assert "Corrected after signing, 2 times in all." in moment(story(cast), "Operation")


def test_the_only_correction_came_after_signing(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    sign(operation, cast.surgeon)
    assert "Corrected" not in moment(story(cast), "Operation")
    factories.corrected(operation, bmi=32)
    assert "Corrected after signing." in moment(story(cast), "Operation")


def test_every_sign_button_carries_the_mark_of_what_is_told(cast: Cast) -> None:
    operation = cast.repair.tear.procedure
    factories.corrected(operation, bmi=31)
    mark = f'<input type="hidden" name="seen" value="{latest_correction(operation)}">'
    page = story(cast)
    assert page.count(mark) == page.count("/sign/") == 2


def test_withdrawn_entries_do_not_show_but_are_counted(cast: Cast) -> None:
    assert "withdrawn" not in story(cast)
    factories.withdrawn(a_visit(cast))
    page = story(cast)
    assert "Visit, unplanned" not in page
    assert f'1 withdrawn entry: see <a href="/knees/{cast.knee.uuid}/history/">history</a>.' in page
    factories.withdrawn(a_visit(cast))
    assert "2 withdrawn entries: see <a" in story(cast)


# --- What may be done --------------------------------------------------------------------------


@pytest.mark.parametrize("who", ALL)
def test_correcting_and_withdrawing_an_event_is_for_who_records_follow_up(cast: Cast, who: str) -> None:
    visit = a_visit(cast)
    page = story(cast, who=who)
    for address in (f"record/visit/{visit.uuid}/", f"withdraw/visit/{visit.uuid}/"):
        assert (f'href="/knees/{cast.knee.uuid}/{address}"' in page) is (who in FOLLOW)


@pytest.mark.parametrize("who", ALL)
def test_an_operation_is_corrected_by_who_operates_and_signed_by_whose_it_is(cast: Cast, who: str) -> None:
    told = moment(story(cast, who=who), "Operation")
    knee, operation = cast.knee.uuid, cast.repair.tear.procedure.uuid
    at = f"/knees/{knee}/operations/{operation}"
    assert (f'href="{at}/correct/"' in told) is (who in OPERATE)
    assert (f'href="/knees/{knee}/withdraw/operation/{operation}/"' in told) is (who in OPERATE)
    assert (f'href="{at}/rehabilitation/"' in told) is (who in FOLLOW)
    assert (f'<form method="post" action="{at}/sign/">' in told) is (who == "surgeon")


def test_who_repaired_for_another_signs_too(cast: Cast) -> None:
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    factories.corrected(cast.repair.tear.procedure, repaired_by=elm)
    assert "/sign/" in moment(story(cast, who="colleague"), "Operation")


@pytest.mark.parametrize("who", ALL)
def test_what_stands_with_the_patient_is_corrected_where_it_is_recorded(cast: Cast, who: str) -> None:
    factories.corrected(
        cast.knee.patient, research_permission="given", research_permission_on=after(1), died_on=after(900)
    )
    page = story(cast, who=who)
    for title, kind in {"Research permission: Given": "research-permission", "Death": "death"}.items():
        link = f'href="/knees/{cast.knee.uuid}/record/{kind}/">Correct'
        assert (link in moment(page, title)) is (who in FOLLOW)


def test_an_operation_of_another_unit_is_not_this_surgeons_to_correct(cast: Cast) -> None:
    yew = factories.a_surgeon(cast.other_unit, "yew")
    theirs = factories.an_operation(cast.other_unit, yew, cast.knee, operated_on=after(300), injured_on=None)
    assert f"operations/{theirs.uuid}/correct/" not in story(cast)
    assert f"withdraw/operation/{theirs.uuid}/" not in story(cast)
    assert f"operations/{cast.repair.tear.procedure.uuid}/correct/" not in story(cast, who="stranger")
    assert f"operations/{theirs.uuid}/correct/" in story(cast, who="stranger")


@pytest.mark.parametrize("who", ALL)
def test_pages_about_the_knee(cast: Cast, who: str) -> None:
    page = story(cast, who=who)
    at = f"/knees/{cast.knee.uuid}"
    assert (f'href="{at}/patient/">Correct patient or side</a>' in page) is (who in FOLLOW)
    assert (f'href="{at}/identity/">Identity</a>' in page) is (who in FOLLOW)
    assert f'href="{at}/history/">History</a>' in page
    assert (f'href="{at}/record/visit/"' in page) is (who in FOLLOW)
    assert (f'href="{at}/operation/"' in page) is (who in OPERATE)


@pytest.mark.parametrize("name", ["standing", "scores"])
def test_what_the_record_says_is_loaded_in_place_or_by_its_link(cast: Cast, name: str) -> None:
    address = f"/knees/{cast.knee.uuid}/{name}/"
    assert f'<div hx-get="{address}" hx-trigger="load"> <a href="{address}">' in story(cast)
    assert cast.client("surgeon").get(address).status_code == 200


@pytest.mark.parametrize("who", ALL)
def test_a_staged_operation_offers_the_second_look_by_itself(cast: Cast, who: str) -> None:
    planned = {"staging": "repair_first", "ligament_planned_on": date(2024, 6, 1)}
    knee = factories.an_operation(cast.unit, cast.oak, acl="staged", **planned).knee
    offer = f'href="/knees/{knee.uuid}/record/second-look/">Record the second look'
    assert (offer in moment(story(cast, knee, who), "Ligament operation planned")) is (who in FOLLOW)
    record(Reoperation(knee=knee, operated_on=date(2024, 6, 1), other_surgery="ligament"))
    assert (offer in moment(story(cast, knee, who), "Second look not recorded")) is (who in FOLLOW)
    record(SecondLook(knee=knee, looked_on=date(2024, 6, 1), reason="staged"))
    assert offer not in story(cast, knee, who)


# --- To complete -------------------------------------------------------------------------------


def to_complete(page: str) -> str:
    return page.split('<h2 id="to-complete">')[1].split("</section>")[0] if "to-complete" in page else ""


def test_what_is_missing_is_said_by_operation_and_tear_with_the_page_that_completes_it(cast: Cast) -> None:
    procedure = whole_operation(cast, {"bmi": None, "smoking": ""}, {"depth": ""})
    told = to_complete(story(cast, procedure.knee))
    at = f"/knees/{procedure.knee.uuid}/operations/{procedure.uuid}"
    assert "<span>Operation of 1 Mar 2024: BMI, smoking</span>" in told
    assert "<span>Tear 1: longitudinal-vertical tear, medial meniscus: depth</span>" in told
    assert "<span>Operation of 1 Mar 2024: signature</span>" in told
    assert told.count(f'<a href="{at}/correct/">Complete') == 2
    assert f'action="{at}/sign/"' in told
    factories.withdrawn(procedure.rehabilitation.get())
    told = to_complete(story(cast, procedure.knee, "clinician"))
    assert f'<a href="{at}/rehabilitation/">Complete' in told
    assert "/correct/" not in told
    assert "/sign/" not in told


def test_who_may_not_complete_it_reads_it_without_links(cast: Cast) -> None:
    procedure = whole_operation(cast, {"bmi": None})
    told = to_complete(story(cast, procedure.knee, "audit_lead"))
    assert "Operation of 1 Mar 2024: BMI" in told
    assert "href" not in told
    assert "<form" not in told


def test_nothing_to_complete_nothing_said(cast: Cast) -> None:
    procedure = whole_operation(cast)
    sign(procedure, cast.surgeon)
    assert "To complete" not in story(cast, procedure.knee)
