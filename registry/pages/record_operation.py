"""Record an operation, and correct one on record: one page, saved whole or not at all."""

from uuid import UUID

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from registry.access import Action, knee_for, require
from registry.models import IndexProcedure, User
from registry.models.procedures import LIGAMENTS
from registry.pages.correcting import NOTHING_CHANGED
from registry.pages.corrections import Conflict, ReasonForm
from registry.pages.drafts import draft_of, drop, fill, keep, keeps_drafts
from registry.pages.forms.operation.again import is_the_same, renamed
from registry.pages.forms.operation.conflict import merged
from registry.pages.forms.operation.correction import save_correction
from registry.pages.forms.operation.entry import OperationEntry, Setting
from registry.pages.forms.operation.facts import told
from registry.pages.forms.saving import save
from registry.pages.operation_page import (
    Page,
    answered,
    button_of,
    changed,
    differing,
    not_recorded,
    opened,
    recorded_under,
)
from registry.pages.sign import may_sign
from registry.pages.staged import is_staged, second_look_offer
from registry.recording import ChangedMeanwhile, sign
from registry.retrying import retried_with
from registry.vocabulary import LigamentState

SIGN = "sign"
RECORDED = "The operation is recorded."
AGAIN = "This operation is on record already, so nothing was recorded twice. To change it, correct it."
WITHDRAWN = (
    "This operation was recorded and has been withdrawn since. Reinstate it below, or record another one."
)
WITHDRAWN_MEANWHILE = (
    "This operation was withdrawn while you had it open. What you typed is kept as a draft: reinstate the "
    "operation below, then correct it."
)
NOT_YOURS_TO_SIGN = (
    "Only whoever led the operation or repaired signs it. Record it without signing, or correct who operated."
)


@sensitive_post_parameters()
@keeps_drafts
def record_operation(request: HttpRequest, knee: UUID | None = None) -> HttpResponse:
    """The empty page, the page with what is to be mended or answered, or on to the Knee story.

    With `knee`, another operation on a knee on record, in which a tear may be the return of an earlier one.
    """
    units = require(request.user, Action.RECORD_OPERATION)
    known = knee_for(request.user, knee, Action.RECORD_OPERATION) if knee else None
    setting = Setting(_person(request), units, known)
    if request.method != "POST":
        return answered(request, opened(request, setting))
    if button_of(request):
        return answered(request, changed(request, setting))
    entry = OperationEntry.sent(setting, request.POST)
    if before := recorded_under(setting, entry.key):
        return _sent_again(request, setting, before)
    if _is_sound(request, entry) and _record(request, entry):
        return _on_to_story(request, entry.procedure.instance, RECORDED)
    # Of two posts of one page, sent at once, the second was refused by what the first recorded.
    if before := recorded_under(setting, entry.key):
        return _sent_again(request, setting, before)
    keep(setting.person, request.path, request.POST)
    return answered(request, not_recorded(setting, entry))


@sensitive_post_parameters()
@keeps_drafts
def correct_operation(request: HttpRequest, knee: UUID, operation: UUID) -> HttpResponse:
    """The page filled from the record, what is to be mended or was changed meanwhile, or on to the story."""
    setting, procedure = _on_record(request, knee, operation)
    if not procedure.stands:
        return _withdrawn(request, procedure)
    if request.method != "POST":
        page, typed = opened(request, setting), draft_of(setting.person, request.path)
    elif button_of(request):
        page, typed = changed(request, setting), request.POST
    else:
        return _corrected(request, setting, procedure)
    page.reason = ReasonForm(procedure)
    if typed:
        fill([page.reason], typed)
    return answered(request, page)


@require_POST
def operation_facts(request: HttpRequest) -> HttpResponse:
    """What follows from the page as it is typed, and what is proposed; nothing is checked or saved."""
    units = require(request.user, Action.RECORD_OPERATION)
    entry = OperationEntry.shown(Setting(_person(request), units), request.POST)
    return render(request, "registry/operation/facts.html", {"told": told(entry)})


# --- recording -------------------------------------------------------------------------------------


def _is_sound(request: HttpRequest, entry: OperationEntry) -> bool:
    """Whether everything may be recorded as it stands, and no question is new."""
    sound = entry.is_valid()
    if sound and SIGN in request.POST and not may_sign(_person(request), entry.procedure.instance):
        entry.procedure.add_error(None, NOT_YOURS_TO_SIGN)
        sound = False
    return entry.answers.is_valid() and sound and entry.answers.is_settled


def _record(request: HttpRequest, entry: OperationEntry) -> bool:
    person = _person(request)

    def work() -> bool:
        saved = save(entry.entries(), by=person)
        if saved and SIGN in request.POST:
            sign(entry.procedure.instance, person)
        return saved

    return retried_with([row for _, row in entry.entries()], work)


def _sent_again(request: HttpRequest, setting: Setting, before: IndexProcedure) -> HttpResponse:
    """The same page sent twice: once recorded is enough; what differs is kept as another entry."""
    if not is_the_same(setting, request.POST, before):
        typed = renamed(request.POST)
        keep(setting.person, request.path, typed)
        return answered(request, differing(setting, typed, before))
    if before.stands:
        return _on_to_story(request, before, AGAIN)
    messages.warning(request, WITHDRAWN)
    return redirect("history", before.knee.uuid)


def _on_to_story(request: HttpRequest, procedure: IndexProcedure, said: str) -> HttpResponse:
    drop(_person(request), request.path)
    messages.success(request, said)
    treated = any(getattr(procedure, name) == LigamentState.TREATED_HERE for name in LIGAMENTS)
    if said == RECORDED and treated and is_staged(procedure.knee):
        messages.info(request, second_look_offer(procedure.knee, procedure.operated_on))
    return redirect("knee_story", procedure.knee.uuid)


# --- correcting ------------------------------------------------------------------------------------


def _corrected(request: HttpRequest, setting: Setting, procedure: IndexProcedure) -> HttpResponse:
    entry, reason = OperationEntry.sent(setting, request.POST), ReasonForm(procedure, request.POST)
    sound = _is_sound(request, entry)
    if sound and not entry.has_changed and SIGN not in request.POST:
        drop(setting.person, request.path)
        messages.info(request, NOTHING_CHANGED)
        return redirect("knee_story", procedure.knee.uuid)
    try:
        if reason.is_valid() and sound and _correct(request, entry, reason):
            return _on_to_story(request, entry.procedure.instance, "The correction is recorded.")
    except ChangedMeanwhile as met:
        keep(setting.person, request.path, request.POST)
        return answered(request, _changed_meanwhile(request, setting, procedure, met))
    keep(setting.person, request.path, request.POST)
    return answered(request, not_recorded(setting, entry, reason))


def _correct(request: HttpRequest, entry: OperationEntry, reason: ReasonForm) -> bool:
    person = _person(request)
    written = [entry.procedure.instance, *entry.recorded.rows.values(), *(row for _, row in entry.parts())]

    def work() -> bool:
        saved = save_correction(entry, reason.act(person), reason.mark)
        if saved and SIGN in request.POST:
            sign(entry.procedure.instance, person)
        return saved

    return retried_with(written, work)


def _changed_meanwhile(
    request: HttpRequest, setting: Setting, procedure: IndexProcedure, met: ChangedMeanwhile
) -> Page:
    typed = merged(setting, request.POST, met)
    conflict = Conflict.of(met, OperationEntry.sent(setting, typed).checked, setting.person)
    entry, reason = OperationEntry.shown(setting, typed), ReasonForm(procedure, typed)
    return Page(setting, entry, status=409, reason=reason, conflict=conflict)


def _withdrawn(request: HttpRequest, procedure: IndexProcedure) -> HttpResponse:
    if request.method == "POST":
        keep(_person(request), request.path, request.POST)
        messages.warning(request, WITHDRAWN_MEANWHILE)
    return redirect("history", procedure.knee.uuid)


def _on_record(request: HttpRequest, knee: UUID, operation: UUID) -> tuple[Setting, IndexProcedure]:
    """The operation on record, of a unit in which this person operates."""
    found = knee_for(request.user, knee, Action.RECORD_OPERATION)
    procedure = IndexProcedure.ever.filter(knee=found, uuid=operation).select_related("unit").first()
    if procedure is None:
        raise Http404
    units = require(request.user, Action.RECORD_OPERATION)
    if procedure.unit not in units:
        raise PermissionDenied
    return Setting(_person(request), units, found, procedure), procedure


def _person(request: HttpRequest) -> User:
    assert isinstance(request.user, User)  # noqa: S101 - every page here asks registry.access first
    return request.user
