"""What can be done about a review. An act answers with where to go; None when its form is to be mended."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpResponse

from registry.models import BookedVisit, Contact, GivenUpReview, Message, PatientLink, PatientReport
from registry.pages.due.page import KneePage
from registry.pages.due.words import message_told
from registry.pages.forms.base import Spoken
from registry.pages.forms.saving import save
from registry.pages.record_event import SENT_TWICE
from registry.patient_link import making
from registry.reminders.refusals import CannotSend
from registry.reminders.send import hindrance, lock, send
from registry.vocabulary import MessageState

NOTHING_WAITS = "No review of this knee waits for an answer now, so there is nothing to ask or to give up."
SENT_MEANWHILE = "This message was sent meanwhile, so nothing was sent again. See below what was."
NOBODY_REACHED = (
    "Nothing is recorded of a call that reached nobody. Try again another day, book a visit, or give this "
    "review up."
)
TO_VERIFY = "Recorded. It waits under To complete on Today until somebody has verified the operation."

Act = Callable[[KneePage], HttpResponse | None]


def send_link(page: KneePage) -> HttpResponse:
    """Send the next message of the review's link, made now if there is none."""
    if page.review is None:
        return _refused(page, NOTHING_WAITS)
    if in_the_way := hindrance(page.knee):
        return _refused(page, in_the_way.label)
    if page.next_message is None or page.next_message != page.request.POST.get("kind"):
        return _refused(page, SENT_MEANWHILE)
    try:
        sent = send(_link(page), page.next_message)
    except CannotSend as refusal:
        return _refused(page, str(refusal))
    return _sent(page, sent)


def show_link(page: KneePage) -> HttpResponse | None:
    """The address of the review's link, on the page: to be read out, copied or handed over."""
    if page.review is None:
        return _refused(page, NOTHING_WAITS)
    page.shown_address = making.address(_link(page))
    return None


def phone(page: KneePage) -> HttpResponse | None:
    """A contact, a report to be verified, or nothing where nobody was reached."""
    form = page.phone
    if _on_record(page, Contact, PatientReport):
        return _twice(page)
    if not form.is_valid():
        return None
    if not form.reached:
        messages.info(page.request, NOBODY_REACHED)
        return page.again("#give-up")
    row = form.row(page.knee, page.time_point)
    return _recorded(page, form, row, TO_VERIFY if isinstance(row, PatientReport) else "Contact recorded.")


def book(page: KneePage) -> HttpResponse | None:
    """A visit on a day to come."""
    if _on_record(page, BookedVisit):
        return _twice(page)
    return _recorded(page, page.book, page.book.instance, "Visit booked.") if page.book.is_valid() else None


def give_up(page: KneePage) -> HttpResponse | None:
    """The review is waited for no longer."""
    if _on_record(page, GivenUpReview):
        return _twice(page)
    if page.review is None:
        return _refused(page, NOTHING_WAITS)
    form = page.give_up
    return _recorded(page, form, form.instance, "Review given up.") if form.is_valid() else None


ACTS: dict[str, Act] = {
    "send": send_link,
    "show": show_link,
    "phone": phone,
    "book": book,
    "give-up": give_up,
}


def act_of(page: KneePage) -> Act:
    """The act that was sent; 404 for one that there is not."""
    if page.act not in ACTS:
        raise Http404
    return ACTS[page.act]


@transaction.atomic
def _link(page: KneePage) -> PatientLink:
    """The open link of the review, made if there is none: one, however many ask at once."""
    assert page.review is not None  # noqa: S101 - asked before
    lock(page.knee)
    point = page.review.time_point
    return making.open_link(page.knee, point) or making.make_link(page.knee, point, page.user)


def _sent(page: KneePage, message: Message) -> HttpResponse:
    words = f"{message_told(message)}: {page.knee}."
    if message.state == MessageState.SENT:
        messages.success(page.request, words)
        return page.to_list()
    messages.add_message(
        page.request,
        messages.ERROR if message.state == MessageState.FAILED else messages.WARNING,
        f"{words} {message.problem}",
    )
    return page.again()


def _on_record(page: KneePage, *models: Any) -> bool:
    """Whether this very page was recorded already."""
    return any(model.ever.filter(knee=page.knee, uuid=page.key).exists() for model in models)


def _recorded(page: KneePage, form: Spoken, row: Any, said: str) -> HttpResponse | None:
    row.uuid = page.key
    if save([(form, row)], page.user):
        messages.success(page.request, f"{said} It is of the {page.knee}.")
        return page.to_list()
    # Of two posts of one page, sent at once, the second is refused by what the first recorded.
    return _twice(page) if _on_record(page, type(row)) else None


def _twice(page: KneePage) -> HttpResponse:
    messages.info(page.request, SENT_TWICE)
    return page.to_list()


def _refused(page: KneePage, words: str) -> HttpResponse:
    messages.error(page.request, words)
    return page.again()
