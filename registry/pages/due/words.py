"""How a review, its link and the time since somebody was seen read on Due."""

from datetime import date, datetime

from django.utils import timezone
from django.utils.formats import date_format

from registry.models import Message, PatientLink
from registry.reviews import ReviewState
from registry.rules.schedule import DAYS_PER_MONTH
from registry.vocabulary import MessageState

MONTHS_FROM_DAYS = 90
YEARS_FROM_MONTHS = 24
TAGS = {ReviewState.OVERDUE: "tag tag-strong", ReviewState.DUE: "tag", ReviewState.OPEN: "tag tag-open"}
NOTHING_SENT = "Nothing sent"


def how_long(due_on: date, closes_on: date, today: date) -> str:
    """Days until a review is due, then until its window ends, then since it ended: goes after its state."""
    if today < due_on:
        return f"due in {_counted((due_on - today).days, 'day')}"
    if today < closes_on:
        return f"{_counted((closes_on - today).days, 'day')} left"
    if today == closes_on:
        return "last day"
    return f"for {_counted((today - closes_on).days, 'day')}"


def ago(days: int) -> str:
    """A long time in the largest unit that still tells something."""
    if days < MONTHS_FROM_DAYS:
        return f"{_counted(days, 'day')} ago"
    months = int(days / DAYS_PER_MONTH)
    if months < YEARS_FROM_MONTHS:
        return f"{_counted(months, 'month')} ago"
    years, rest = divmod(months, 12)
    return f"{_counted(years, 'year')} {_counted(rest, 'month') if rest else ''}".strip() + " ago"


def asked_so_far(link: PatientLink | None, now: datetime) -> list[str]:
    """What was sent of a link and how far its answer came, the latest first."""
    if link is None:
        return [NOTHING_SENT]
    sent = [message_told(message) for message in _latest_first(link)]
    return [*_state(link, now), *(sent or [f"Link made {_day(link.made_at)}"])]


def asked_last(link: PatientLink | None, now: datetime) -> str:
    """The same in short: without the messages before the latest."""
    told = asked_so_far(link, now)
    earlier = max(len(link.messages.all()) - 1, 0) if link else 0
    return ". ".join(told[: len(told) - earlier])


def message_told(message: Message) -> str:
    """One message: which, how far it came, and when."""
    day = _day(message.ended_at or message.claimed_at)
    came = {
        MessageState.CLAIMED: "not sent yet",
        MessageState.HANDED_OVER: f"handed over {day}, no answer from the server",
        MessageState.SENT: f"sent {day}",
        MessageState.FAILED: f"failed {day}",
    }[MessageState(message.state)]
    return f"{message.get_kind_display()} {came}"


def _state(link: PatientLink, now: datetime) -> list[str]:
    if link.finished_at:
        return [f"Answered {_day(link.finished_at)}"]
    begun = ["Answer begun"] if link.answers_sealed else []
    if link.taken_back_at:
        return ["Link taken back", *begun]
    if link.is_locked:
        return ["Link locked after wrong years of birth", *begun]
    return [*begun, *([] if now < link.expires_at else ["Link expired"])]


def _latest_first(link: PatientLink) -> list[Message]:
    return sorted(link.messages.all(), key=lambda message: (message.claimed_at, message.pk), reverse=True)


def _day(at: datetime) -> str:
    return date_format(timezone.localtime(at), "j M Y")


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
