"""Withdraw an entry: with its parts it leaves every list and figure, for a reason; the history keeps it."""

from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.text import capfirst

from registry.access import Action, Person, knee_for, units_for
from registry.models import BookedVisit, Entry, GivenUpReview, IndexProcedure, Knee, PatientReport, User
from registry.pages.corrections import ReasonForm, told
from registry.pages.differences import Change, named
from registry.pages.forms.base import problems_of
from registry.pages.forms.events import KINDS
from registry.pages.forms.saving import refusal
from registry.parts import parts_of
from registry.recording import ChangedMeanwhile, corrections_of, withdraw

OPERATION = "operation"
# Of a knee too, but recorded on pages of their own; by their word in addresses.
OF_REVIEWS: dict[str, type[Entry]] = {
    "report": PatientReport,
    "given-up-review": GivenUpReview,
    "booked-visit": BookedVisit,
}
CHANGED_MEANWHILE = (
    "Somebody else changed this while you had the page open. Nothing is withdrawn. Read what they changed, "
    "then withdraw it if that still holds."
)


class WithdrawalForm(ReasonForm):
    """Why an entry is withdrawn; also of an operation note not signed yet."""

    title = "Withdrawal"
    reason = forms.CharField(
        max_length=200,
        label="Reason for the withdrawal",
        help_text="Kept in the history with your name and the time. It can be reinstated there.",
    )

    def __init__(self, entry: Entry, posted: Any = None) -> None:
        help_text = self.base_fields["reason"].help_text
        super().__init__(entry, posted)
        self.fields["reason"].required, self.fields["reason"].help_text = True, help_text


def withdraw_entry(request: HttpRequest, knee: UUID, kind: str, entry: UUID) -> HttpResponse:
    """What goes along and what stands in the way; after the reason, back to the Knee story."""
    found = knee_for(
        request.user, knee, Action.RECORD_OPERATION if kind == OPERATION else Action.RECORD_FOLLOW_UP
    )
    assert isinstance(request.user, User)  # noqa: S101 - knee_for() let nobody else pass
    row = _entry(request.user, found, kind, entry)
    if not row.stands:
        messages.info(request, f"The {named(row)} is withdrawn already.")
        return redirect("history", found.uuid)
    form = WithdrawalForm(row, request.POST if request.method == "POST" else None)
    theirs = _since(row, form, request.user) if form.is_bound and form.is_valid() else []
    if form.is_bound and form.is_valid() and not theirs and _withdrawn(row, form, request.user):
        messages.success(request, f"The {named(row)} is withdrawn. It can be reinstated from the history.")
        return redirect("knee_story", found.uuid)
    status = 409 if theirs else 422 if form.is_bound else 200
    return render(request, "registry/withdraw.html", _context(found, row, form, theirs), status=status)


def _context(knee: Knee, row: Entry, form: WithdrawalForm, theirs: list[Change]) -> dict[str, Any]:
    *parts, _ = parts_of(row)
    return {
        "knee": knee,
        "named": named(row),
        "parts": [str(capfirst(named(part))) for part in reversed(parts)],
        "in_the_way": row.in_the_way(),
        "form": WithdrawalForm(row) if theirs else form,
        "problems": problems_of([form]) if form.is_bound and not theirs else [],
        "theirs": theirs,
        "changed_meanwhile": CHANGED_MEANWHILE,
    }


def _entry(person: Person, knee: Knee, kind: str, uuid: UUID) -> Entry:
    """The entry; an operation only for who operates in its unit."""
    if kind != OPERATION:
        return _event(knee, kind, uuid)
    operation = IndexProcedure.ever.filter(knee=knee, uuid=uuid).first()
    if operation is None:
        raise Http404
    if not units_for(person, Action.RECORD_OPERATION).filter(pk=operation.unit_id).exists():
        raise PermissionDenied
    return operation


def _event(knee: Knee, kind: str, uuid: UUID) -> Entry:
    event: Entry | None = _recorded(knee, kind).filter(uuid=uuid).first()
    if event is None:
        raise Http404
    return event


def _recorded(knee: Knee, kind: str) -> QuerySet[Any]:
    if kind in OF_REVIEWS:
        model: Any = OF_REVIEWS[kind]
        rows: QuerySet[Any] = model.ever.filter(knee=knee)
        return rows
    form = KINDS[kind].form if kind in KINDS else None
    if form is None or not issubclass(form._meta.model, Entry):
        raise Http404
    return form.recorded(knee)


def _since(row: Entry, form: WithdrawalForm, reader: User) -> list[Change]:
    """What was corrected after the page was opened."""
    return told(corrections_of(row).filter(pk__gt=form.mark), reader)


def _withdrawn(row: Entry, form: WithdrawalForm, by: User) -> bool:
    try:
        withdraw(row, form.act(by))
    except ValidationError as error:
        form.add_error(None, error)
    except IntegrityError as error:
        form.add_error(None, refusal(error))
    except ChangedMeanwhile:
        form.add_error(None, CHANGED_MEANWHILE)
    else:
        return True
    return False
