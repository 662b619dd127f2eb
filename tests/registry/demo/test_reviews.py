"""Forms, reports, links and what is waited for: enough of each, in usual shares, and true to the rest."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta

import pytest

from registry.demo.cast import Cast
from registry.demo.clocks import planned_reviews
from registry.demo.course import Course, course
from registry.demo.person import Departure, person
from registry.demo.scenario import Scenario
from registry.demo.story import KneeStory
from registry.demo.truth import Truth
from registry.demo.waiting import booked
from registry.demo.world import World
from registry.reminders.timetable import SERIES
from registry.rules.schedule import PlannedReview
from registry.scoring import INSTRUMENTS
from registry.vocabulary import (
    AnswerWay,
    GivenUpReason,
    Language,
    MessageKind,
    MessageState,
    OperatedAgain,
    Reminding,
)
from tests.registry.demo.conftest import UNTIL
from tests.registry.demo.telling import Stories, by_knee, forms, is_open, knees, links, reports, share, signs

CLOSING = UNTIL - timedelta(days=1)
AT_LEAST: dict[str, tuple[int, Callable[[Stories], int]]] = {
    "KOOS": (2_500, lambda s: sum(each.instrument == "koos" for each in forms(s))),
    "IKDC": (300, lambda s: sum(each.instrument == "ikdc" for each in forms(s))),
    "activity": (300, lambda s: sum(each.instrument == "tegner" for each in forms(s))),
    "pain": (800, lambda s: sum(each.instrument == "pain_nrs" for each in forms(s))),
    "KOOS by the rule of 1998": (100, lambda s: sum(each.instrument_version == "1998" for each in forms(s))),
    "KOOS with a subscale not scorable": (
        80,
        lambda s: sum(each.instrument == "koos" and len(each.scale_values) < 6 for each in forms(s)),
    ),
    "KOOS scored whole with an item missing": (
        150,
        lambda s: sum(
            each.instrument == "koos" and len(each.items) < 42 and len(each.scale_values) == 6
            for each in forms(s)
        ),
    ),
    "form by link": (60, lambda s: sum(each.way == "link" for each in forms(s))),
    "report of none": (600, lambda s: sum(each.operated_again == "no" for each in reports(s))),
    "report confirmed by a reoperation": (
        40,
        lambda s: sum(each.reoperation is not None for each in reports(s)),
    ),
    "report confirmed by a further repair": (
        5,
        lambda s: sum(each.procedure is not None for each in reports(s)),
    ),
    "report set aside": (8, lambda s: sum(each.no_reoperation_because != "" for each in reports(s))),
    "report to be verified": (3, lambda s: sum(map(is_open, reports(s)))),
    "warning sign seen to": (8, lambda s: sum(each.signs_seen_to for each in reports(s))),
    "warning sign open": (1, lambda s: sum(signs(each) and not each.signs_seen_to for each in reports(s))),
    "review given up": (150, lambda s: sum(len(knee.given_up) for knee in knees(s))),
    "visit booked": (60, lambda s: sum(len(knee.booked) for knee in knees(s))),
    "link finished": (60, lambda s: sum(each.finished_at is not None for each in links(s))),
    "link half answered": (5, lambda s: sum(each.half is not None for each in links(s))),
    "link not answered": (150, lambda s: sum(each.report is None for each in links(s))),
    "message refused": (5, lambda s: sum(m.state == "failed" for each in links(s) for m in each.messages)),
}


@pytest.mark.parametrize("what", AT_LEAST)
def test_there_is_enough_of(what: str, stories: Stories) -> None:
    least, counted = AT_LEAST[what]
    assert counted(stories) >= least


def test_links_are_not_too_many(stories: Stories) -> None:
    assert len(links(stories)) < len(stories) / 2


SHOWN: dict[str, tuple[set[str], Callable[[Stories], set[str]]]] = {
    "way of a form": (set(AnswerWay.values), lambda s: {each.way for each in forms(s)}),
    "way of a report": (set(AnswerWay.values), lambda s: {each.way for each in reports(s)}),
    "operated again": (set(OperatedAgain.values), lambda s: {each.operated_again for each in reports(s)}),
    "given up": (
        set(GivenUpReason.values),
        lambda s: {each.reason for knee in knees(s) for each in knee.given_up},
    ),
    "language": (set(Language.values), lambda s: {each.language for each in s}),
    "reminders": (set(Reminding.values), lambda s: {each.reminders for each in s}),
    "message": (set(MessageKind.values), lambda s: {m.kind for each in links(s) for m in each.messages}),
    "state": (
        {MessageState.SENT.value, MessageState.FAILED.value},
        lambda s: {m.state for each in links(s) for m in each.messages},
    ),
    "channel": (
        {Reminding.EMAIL.value, Reminding.SMS.value},
        lambda s: {m.channel for each in links(s) for m in each.messages},
    ),
}


@pytest.mark.parametrize("what", SHOWN)
def test_every_code_occurs_of(what: str, stories: Stories) -> None:
    codes, shown = SHOWN[what]
    assert shown(stories) == codes


SHARES: dict[str, tuple[float, float, Callable[[Stories], float]]] = {
    "Spanish": (0.11, 0.17, lambda told: share([each.language == "es" for each in told])),
    "no reminders": (0.05, 0.11, lambda told: share([each.reminders == "none" for each in told])),
    "no further operation": (
        0.8,
        0.95,
        lambda told: share([each.operated_again == "no" for each in reports(told)]),
    ),
    "a sign": (0.01, 0.06, lambda told: share(list(map(signs, reports(told))))),
}


@pytest.mark.parametrize("what", SHARES)
def test_the_usual_share_of(what: str, told: Stories) -> None:
    low, high, measured = SHARES[what]
    assert low <= measured(told) <= high


# --- Links, and what is waited for ---------------------------------------------------------------


def test_nobody_who_wishes_no_reminders_is_sent_any(told: Stories) -> None:
    for story, knee in by_knee(told):
        if story.reminders == "none":
            assert not knee.links
            assert not any(each.way == "link" for each in knee.scores)
        for link in knee.links:
            assert {message.channel for message in link.messages} == {story.reminders}


def test_messages_follow_the_sites_timetable(stories: Stories, truth: Truth) -> None:
    assert truth.waiting.message_after_days == {kind.value: days for kind, days in SERIES.items()}
    for link in links(stories):
        kinds = [message.kind for message in link.messages]
        assert kinds == [kind.value for kind in SERIES][: len(kinds)]
        assert [message.state for message in link.messages[:-1]] == ["sent"] * (len(kinds) - 1)
        for message in link.messages:
            assert link.made_at <= message.claimed_at < message.ended_at
            assert (message.problem != "") == (message.state == "failed")


def test_what_came_by_link_has_its_link(told: Stories) -> None:
    for knee in knees(told):
        by_link = [place for place, each in enumerate(knee.reports) if each.way == "link"]
        assert sorted(each.report for each in knee.links if each.report is not None) == by_link
        for link in knee.links:
            if link.report is None:
                assert link.finished_at is None
                assert link.half is None
                continue
            answered_on = knee.reports[link.report].answered_on
            assert link.made_at.date() <= answered_on
            assert all(message.claimed_at.date() <= answered_on for message in link.messages)
            assert (link.finished_at is None) == (link.half is not None)
            sent = {
                each.instrument
                for each in knee.scores
                if (each.way, each.answered_on) == ("link", answered_on)
            }
            assert sent == (set() if link.half else set(link.instruments))


def test_half_answers_are_whole_groups_of_the_form(stories: Stories) -> None:
    for link in links(stories):
        if link.half is None:
            continue
        for code, items in link.half.items.items():
            instrument = INSTRUMENTS[code]
            assert not instrument.problems(items)
            done = [int(each.removeprefix(f"{code}-")) for each in link.half.done if each.startswith(code)]
            assert done == list(range(1, len(done) + 1))
            assert 0 < len(done) < len(instrument.groups)
            assert set(items) == {item for group in instrument.groups[: len(done)] for item in group.items}


def plan_of(knee: KneeStory) -> dict[str, PlannedReview]:
    plans = {part.code: part.plan for part in Cast.read().units}
    return {each.code: each for each in plans[knee.procedures[0].unit]}


def starts(knee: KneeStory) -> list[date]:
    """The days on which reviews may have started: of operations, staged ones too where they restart them."""
    return [
        *(each.operated_on for each in knee.procedures),
        *(each.operated_on for each in knee.reoperations),
    ]


def test_a_review_is_given_up_after_its_window_and_only_unanswered(told: Stories) -> None:
    for story, knee in by_knee(told):
        days = [
            *(each.seen_on for each in knee.visits),
            *(each.answered_on for each in knee.scores),
            *(each.answered_on for each in knee.reports),
        ]
        for each in knee.given_up:
            review = plan_of(knee)[each.time_point]
            windows = [
                (
                    start + timedelta(review.due_day - review.window_days),
                    start + timedelta(review.due_day + review.window_days),
                )
                for start in starts(knee)
            ]
            over = [(opens, closes) for opens, closes in windows if closes < each.given_up_on]
            assert any(
                each.given_up_on - closes <= timedelta(days=60)
                and not any(opens <= day <= closes for day in days)
                for opens, closes in over
            )
            assert each.given_up_on <= (story.died_on or UNTIL)


def test_visits_are_booked_in_the_coming_weeks_for_patients_still_followed(told: Stories) -> None:
    for story, knee in by_knee(told):
        assert len(knee.booked) <= 1
        for each in knee.booked:
            assert UNTIL < each.booked_for <= UNTIL + timedelta(days=42)
            assert story.died_on is None
            assert story.end_of_follow_up is None
            assert each.time_point in plan_of(knee)


def test_each_unit_asks_what_its_plan_says(stories: Stories) -> None:
    asked = {
        part.code: {code for each in part.plan for code in each.instruments} for part in Cast.read().units
    }
    assert asked["ottermere"] == {"koos", "pain_nrs", "ikdc", "tegner"}
    for knee in knees(stories):
        units = {each.unit for each in knee.procedures}
        allowed = {"lysholm"}.union(*(asked[unit] for unit in units))
        assert {each.instrument for each in knee.scores} <= allowed


@pytest.mark.parametrize(
    "departure",
    [Departure(CLOSING, died_on=CLOSING), Departure(CLOSING, left="lost")],
    ids=["died", "left"],
)
def test_nothing_is_booked_for_who_went_on_the_last_day(departure: Departure) -> None:
    """Found in a demo of 830,000 patients, one of whom died the day before it was told."""
    waiting = [(each, planned) for each in lives(400) for planned in planned_reviews(each.world, each.course)]
    stayed = [booked(each.world, each.course, planned) for each, planned in waiting]
    assert sum(each is not None for each in stayed) > 10
    for each, planned in waiting:
        gone = replace(each.course, person=replace(each.course.person, departure=departure))
        assert booked(each.world, gone, planned) is None


@dataclass(frozen=True)
class Life:
    world: World
    course: Course


def lives(patients: int) -> Iterator[Life]:
    """The first knees of some patients, as far as reviews are concerned."""
    scenario = Scenario(patients, 5, UNTIL, Truth.read())
    for world in scenario.worlds(0):
        who = person(world)
        yield Life(world.reviewing, course(world, who, who.first_operated_on))
