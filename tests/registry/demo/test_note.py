"""Operation notes: each detail agrees with the tear, the repair or the surgery that calls for it."""

from dataclasses import fields
from datetime import timedelta

from registry.rules.questions import tear_questions
from registry.rules.rim import rim_zone
from registry.rules.root import root_type_at
from registry.tear_map import location_of
from tests.registry.demo.telling import Stories, procedures, repairs, share, tears


def test_what_was_measured_agrees_with_its_code(told: Stories) -> None:
    for tear in tears(told):
        if tear.rim_width_mm is not None:
            assert rim_zone(tear.rim_width_mm) == tear.rim_zone
        if tear.root_distance_mm is not None:
            assert root_type_at(tear.root_distance_mm) == tear.root_type
        if tear.map_step is not None:
            assert location_of(tear.map_step) == tear.radial_location
    assert sum(tear.root_distance_mm is not None for tear in tears(told)) > 20
    roots = [tear.map_step for tear in tears(told) if tear.pattern == "root" and tear.map_step]
    assert share([step == 12 for step in roots]) > 0.85


def test_sutures_are_as_many_as_usual(told: Stories) -> None:
    """Common practice, no source."""
    for tear, repair in repairs(told):
        number = sum(each.number for each in repair.passes)
        if repair.passes and tear.pattern == "bucket_handle":
            assert number in (7, 8)
        if repair.passes and tear.pattern == "ramp":
            assert 1 <= number <= 3
        for each in repair.passes:
            assert getattr(repair, each.technique)
            if each.technique == "all_inside" and each.spacing_mm is not None:
                assert 2 <= each.spacing_mm <= 4


def test_grafts_and_other_surgery_go_with_what_calls_for_them(told: Stories) -> None:
    for procedure in procedures(told):
        done = procedure.same_sitting
        assert not done.graft or procedure.ligaments.surgery == "same_operation"
        assert not done.proximal_tibial_osteotomy or procedure.measured.hka_deg < -5
        assert not done.distal_femoral_osteotomy or procedure.measured.hka_deg > 5
    vented = [
        each.same_sitting.notch_microfracture
        for each in procedures(told)
        if any(tear.repair and tear.repair.augmentation == "marrow_venting" for tear in each.tears)
    ]
    assert 0.5 < share(vented) < 0.9


def test_a_question_is_answered_wherever_one_is_asked(told: Stories) -> None:
    for procedure in procedures(told):
        answered = {(each.tear, each.code) for each in procedure.note.soft_answers}
        for tear in procedure.tears:
            row = {field.name: getattr(tear, field.name) for field in fields(tear)}
            assert {(tear.number, question.code) for question in tear_questions(row)} <= answered


def test_nothing_is_signed_before_it_is_entered(told: Stories) -> None:
    for procedure in procedures(told):
        signed_at = procedure.note.signed_at
        assert signed_at is None or signed_at - procedure.recorded_at > timedelta(0)


def test_a_look_tells_only_surgery_that_is_told_as_well(told: Stories) -> None:
    """So that what is found at a look moves no failure."""
    acted = 0
    for story in told:
        for knee in story.knees:
            removed = {
                (each.tear, again.operated_on, each.action)
                for again in knee.reoperations
                for each in again.on_tears
                if each.site == "same"
            }
            repaired = {(tear.revises, each.operated_on) for each in knee.procedures for tear in each.tears}
            for look in knee.looks:
                for finding in look.findings:
                    if finding.action in ("re_repair", "root_refixation"):
                        assert (finding.tear, look.looked_on) in repaired
                    elif finding.action != "none":
                        assert (finding.tear, look.looked_on, finding.action) in removed
                    acted += finding.action != "none"
    assert acted > 50
