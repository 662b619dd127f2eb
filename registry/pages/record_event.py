"""Record what happened to a knee, and correct it: one page for every kind of event, saved whole or not."""

from datetime import date
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.dateparse import parse_date

from registry.access import Action, knee_for
from registry.models import Entry, Knee, Patient, Reoperation, SecondLook, SecondLookFinding, User
from registry.pages.correcting import answer, is_done
from registry.pages.drafts import draft_bar, draft_of, drop, fill, keep, keeps_drafts
from registry.pages.forms.base import problems_of
from registry.pages.forms.events import KINDS, EventKind, OfPatientForm, Posted
from registry.pages.forms.events.looks import SecondLookFindingForm
from registry.pages.forms.events.page import ENTRY, NewEvent, RecordedEvent
from registry.pages.staged import is_staged, second_look_offer
from registry.vocabulary import LookReason, OtherSurgery

SENT_TWICE = "This was on record already, so nothing was recorded twice."
CHANGED_SINCE = "This page was recorded already and says something else now."
WITHDRAWN = (
    "This was recorded and has been withdrawn since. Reinstate it from the history, or record another."
)
WITHDRAWN_MEANWHILE = (
    "This was withdrawn while you had it open. What you typed is kept as a draft: reinstate the entry below, "
    "then correct it."
)


@keeps_drafts
def record_event(request: HttpRequest, knee: UUID, kind: str) -> HttpResponse:
    """The empty page, the page with what is to be mended, or back to the Knee story."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    user, chosen = _user(request), _kind(kind)
    if issubclass(chosen.form, OfPatientForm):
        earlier = chosen.form.is_on_record(found.patient)
        return _correct(request, user, found, chosen, found.patient, "" if earlier else chosen.form.REASON)
    page = NewEvent.of(chosen, found, request.POST if request.method == "POST" else None)
    if request.method != "POST":
        if ended := _end_on_record(page):
            return redirect("correct_event", found.uuid, kind, ended.uuid)
        return _show(request, page, restored=_prefill(request, user, page))
    if earlier_entry := page.sent_before:
        return _sent_again(request, user, page, earlier_entry)
    if page.is_valid() and page.save(user):
        return _recorded(request, user, page)
    # Of two posts of one page, sent at once, the second is refused by what the first recorded.
    if earlier_entry := page.sent_before:
        return _sent_again(request, user, page, earlier_entry)
    return _show(request, page, status=422)


@keeps_drafts
def correct_event(request: HttpRequest, knee: UUID, kind: str, event: UUID) -> HttpResponse:
    """An event on record as a form; every change of it gives its reason."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    user, chosen = _user(request), _kind(kind)
    if issubclass(chosen.form, OfPatientForm):
        raise Http404
    recorded = chosen.form.recorded(found).filter(uuid=event).first()
    if recorded is None:
        raise Http404
    if not recorded.stands:
        return _withdrawn(request, user, found)
    return _correct(request, user, found, chosen, recorded)


def look_class(request: HttpRequest, knee: UUID) -> HttpResponse:
    """The class of one tear seen again, from the shares typed so far; for the page to load in place."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    instance = SecondLookFinding(look=SecondLook(knee=found))
    finding = SecondLookFindingForm(request.GET, prefix=request.GET.get("finding"), instance=instance)
    return render(request, "registry/look_class.html", {"healing": finding.healing})


def _user(request: HttpRequest) -> User:
    assert isinstance(request.user, User)  # noqa: S101 - knee_for() let nobody else pass
    return request.user


def _kind(slug: str) -> EventKind:
    if slug not in KINDS:
        raise Http404
    return KINDS[slug]


def _end_on_record(page: NewEvent) -> Entry | None:
    """Follow-up ends once: what is on record of its end is corrected."""
    if page.kind.slug != "end-of-follow-up":
        return None
    ended: Entry | None = page.kind.form.recorded(page.knee).filter(withdrawn_at=None).first()
    return ended


def _prefill(request: HttpRequest, user: User, page: NewEvent) -> bool:
    """Fill an empty page from its draft, else with what is known; True for a draft."""
    draft = draft_of(user, request.path)
    if draft is not None and page.kind.form.recorded(page.knee).filter(uuid=_uuid(draft.get(ENTRY))).exists():
        # It went on record after all, while the script was still keeping it.
        drop(user, request.path)
        draft = None
    if draft is None:
        page.event.initial.update(_known_by_now(page, request.GET.get("on", "")))
        return False
    page.event.instance.uuid = _uuid(draft.get(ENTRY)) or page.key
    fill(page.forms, draft)
    return True


def _known_by_now(page: NewEvent, day: str) -> dict[str, Any]:
    known: dict[str, Any] = {}
    if on := _date(day):
        known[page.kind.form.DATE] = on
    if page.kind.slug == "second-look" and is_staged(page.knee):
        known["reason"] = LookReason.STAGED
    return known


def _sent_again(request: HttpRequest, user: User, page: NewEvent, earlier: Entry) -> HttpResponse:
    """The same page sent twice: once recorded is enough; changed since, it is a correction."""
    if not earlier.stands:
        messages.warning(request, WITHDRAWN)
        return redirect("history", page.knee.uuid)
    again = RecordedEvent.of(page.kind, page.knee, earlier, request.POST)
    if again.is_valid() and not again.has_changed:
        drop(user, request.path)
        messages.info(request, SENT_TWICE)
        return redirect("knee_story", page.knee.uuid)
    page.refer_to(earlier, CHANGED_SINCE)
    return _show(request, page, status=422)


def _recorded(request: HttpRequest, user: User, page: NewEvent) -> HttpResponse:
    drop(user, request.path)
    messages.success(request, f"{page.kind.name} recorded. {page.event.outcome()}".strip())
    again = page.event.instance
    if (
        isinstance(again, Reoperation)
        and again.other_surgery == OtherSurgery.LIGAMENT
        and is_staged(page.knee)
    ):
        messages.info(request, second_look_offer(page.knee, again.operated_on))
    return redirect("knee_story", page.knee.uuid)


def _correct(
    request: HttpRequest,
    user: User,
    knee: Knee,
    kind: EventKind,
    recorded: Entry | Patient,
    derived: str = "",
) -> HttpResponse:
    def build(posted: Posted) -> RecordedEvent:
        return RecordedEvent.of(kind, knee, recorded, posted)

    given = answer(request, user, recorded, build, derived)
    if is_done(request, user, given, f"{kind.name} {'recorded' if derived else 'corrected'}."):
        return redirect("knee_story", knee.uuid)
    context = {
        "reason": given.reason,
        "conflict": given.conflict,
        "problems": given.problems,
        "corrects": not derived,
    }
    return _page(request, given.page, given.status, given.restored, context)


def _withdrawn(request: HttpRequest, user: User, knee: Knee) -> HttpResponse:
    if request.method == "POST":
        keep(user, request.path, request.POST)
        messages.warning(request, WITHDRAWN_MEANWHILE)
    return redirect("history", knee.uuid)


def _show(request: HttpRequest, page: NewEvent, *, status: int = 200, restored: bool = False) -> HttpResponse:
    problems = problems_of(page.forms) if status != 200 else []
    return _page(request, page, status, restored, {"problems": problems})


def _page(
    request: HttpRequest, page: NewEvent | RecordedEvent, status: int, restored: bool, context: dict[str, Any]
) -> HttpResponse:
    shown = {
        "entry": page,
        "knee": page.knee,
        "draft": draft_bar(request, restored=restored),
        **context,
    }
    return render(request, "registry/record_event.html", shown, status=status)


def _date(text: str) -> date | None:
    try:
        return parse_date(text)
    except ValueError:
        return None


def _uuid(text: str | None) -> UUID | None:
    try:
        return UUID(text or "")
    except ValueError:
        return None
