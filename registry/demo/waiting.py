"""Reviews that nobody answered: what was sent, what was given up, and what is booked. Pure."""

from datetime import date, datetime, timedelta

from registry.demo.clocks import Planned
from registry.demo.course import Course
from registry.demo.review_stories import BookedStory, GivenUpStory, LinkStory, MessageStory
from registry.demo.world import World, after

SECONDS_TO_SEND = 2


def unanswered_link(world: World, course: Course, planned: Planned) -> LinkStory | None:
    """The link that was sent and not answered, if one was."""
    truth, dice = world.truth.waiting, world.dice
    made_on = after(planned.opens_on, dice.within(truth.invited_after_days))
    wanted = dice.chance(truth.invited) and may_be_sent_links(course)
    is_time = _links_since(world) <= made_on <= min(_followed_until(world, course), planned.until)
    if not wanted or not is_time or made_on < planned.procedure.recorded_at.date():
        return None
    made_at = max(world.hour_of(made_on), planned.procedure.recorded_at)
    return LinkStory(
        uuid=dice.uuid(),
        time_point=planned.review.code,
        instruments=planned.review.instruments,
        made_at=made_at,
        finished_at=None,
        report=None,
        half=None,
        messages=messages(world, course, made_at, min(_followed_until(world, course), planned.until)),
    )


def messages(world: World, course: Course, made_at: datetime, until: date) -> tuple[MessageStory, ...]:
    """What was sent of a link up to a day: the invitation with it, reminders each some days after another."""
    truth, dice = world.truth.waiting, world.dice
    channel = course.person.reminders
    told: list[MessageStory] = []
    at = made_at
    for kind, days in truth.message_after_days.items():
        at += timedelta(days)
        if told and at.date() > until:
            break
        refused = dice.chance(truth.message_refused)
        told.append(
            MessageStory(
                kind=kind,
                channel=channel,
                state="failed" if refused else "sent",
                claimed_at=at,
                claimed_by=dice.uuid(),
                ended_at=at + timedelta(seconds=SECONDS_TO_SEND),
                problem=truth.refused_words[channel] if refused else "",
            )
        )
        if refused:
            break
    return tuple(told)


def may_be_sent_links(course: Course) -> bool:
    return course.person.reminders != "none"


def given_up(world: World, course: Course, planned: Planned) -> GivenUpStory | None:
    """The review given up after its window, if it was, and before the next one opened."""
    truth, dice = world.truth.waiting, world.dice
    on = after(planned.closes_on, dice.within(truth.given_up_after_days))
    last = min(_followed_until(world, course), _until(course, planned))
    if not dice.chance(truth.given_up) or on > last or on >= planned.next_opens_on:
        return None
    return GivenUpStory(
        uuid=dice.uuid(),
        recorded_at=world.entered(on, planned.procedure.recorded_at),
        given_up_on=on,
        time_point=planned.review.code,
        reason=dice.pick(truth.given_up_reason),
    )


def booked(world: World, course: Course, planned: Planned) -> BookedStory | None:
    """A visit in the coming weeks for the review that waits now, if one was booked."""
    truth, dice = world.truth.waiting, world.dice
    today = after(world.closing, 1)
    waits = planned.opens_on <= today < planned.next_opens_on
    if not waits or not _stays(world, course, planned) or not dice.chance(truth.booked):
        return None
    booked_on = max(after(world.closing, -dice.within(truth.booked_days_ago)), planned.procedure.operated_on)
    return BookedStory(
        uuid=dice.uuid(),
        recorded_at=world.entered(booked_on, planned.procedure.recorded_at),
        booked_for=after(today, dice.within(truth.booked_in_days)),
        time_point=planned.review.code,
    )


def _stays(world: World, course: Course, planned: Planned) -> bool:
    """Whether the knee is followed beyond the last day on record: nothing ended that very day either."""
    departure = course.person.departure
    gone = course.replaced_on or departure.died_on or departure.left
    return planned.until == course.seen_until == world.closing and not gone


def _until(course: Course, planned: Planned) -> date:
    """As of the review, but those who left without a word are waited for until that is declared."""
    return date.max if planned.until == course.seen_until else planned.until


def _followed_until(world: World, course: Course) -> date:
    person = course.person
    ends = (
        person.departure.died_on,
        person.end_of_follow_up.ended_on if person.end_of_follow_up else None,
        course.replaced_on,
    )
    return min([world.closing, *(each for each in ends if each)])


def _links_since(world: World) -> date:
    return after(world.closing, -world.truth.answering.links_since_days)
