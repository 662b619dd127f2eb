"""What patients report: true to what the record holds of their knee, but for a few mistakes."""

from datetime import date, timedelta

from registry.demo.truth import Truth
from tests.registry.demo.conftest import UNTIL
from tests.registry.demo.telling import Stories, by_knee, is_open, knees, reports, signs

OPEN_FOR_AT_MOST = timedelta(days=80)


def test_what_was_told_of_an_operation_is_confirmed_by_it_set_aside_or_still_new(told: Stories) -> None:
    for knee in knees(told):
        for each in knee.reports:
            if each.operated_again == "no":
                assert each.reoperation is each.procedure is None
                assert {each.no_reoperation_because, each.where, each.when, each.what} == {""}
            elif is_open(each):
                assert each.answered_on >= UNTIL - OPEN_FOR_AT_MOST
            elif each.reoperation is not None:
                assert knee.reoperations[each.reoperation].operated_on <= each.answered_on
            elif each.procedure is not None:
                assert knee.procedures[each.procedure].operated_on <= each.answered_on


def test_nobody_says_no_who_was_operated_on_since_they_last_told(told: Stories) -> None:
    checked = 0
    for knee in knees(told):
        before = date.min
        for each in sorted(knee.reports, key=lambda each: each.answered_on):
            since = [reop for reop in knee.reoperations if before < reop.operated_on <= each.answered_on]
            latest = max(p.operated_on for p in knee.procedures if p.operated_on <= each.answered_on)
            if any(reop.operated_on > latest for reop in since):
                assert each.operated_again != "no"
                checked += 1
            before = each.answered_on
    assert checked > 20


def test_a_report_lies_within_the_knees_follow_up(stories: Stories) -> None:
    for story, knee in by_knee(stories):
        last = story.died_on or UNTIL - timedelta(days=1)
        assert all(knee.procedures[0].operated_on <= each.answered_on <= last for each in knee.reports)
        if story.end_of_follow_up:
            assert all(each.answered_on <= story.end_of_follow_up.ended_on for each in knee.reports)


def test_signs_are_seen_to_only_where_there_are_any(stories: Stories) -> None:
    assert not any(each.signs_seen_to and not signs(each) for each in reports(stories))


def test_words_are_in_the_patients_language(stories: Stories, truth: Truth) -> None:
    words = 0
    for story, knee in by_knee(stories):
        for each in knee.reports:
            if each.where:
                assert each.where in truth.reports.where[story.language].codes
                words += story.language == "es"
    assert words > 3
