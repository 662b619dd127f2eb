"""One intake: how far the work is, what the rehearsal found, what was taken in, and every act on it."""

from collections.abc import Callable
from datetime import timedelta
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from registry.background import is_silent_since
from registry.intake import files, jobs
from registry.intake.file.annotating import annotated
from registry.intake.files import NotNow
from registry.intake.report import Report
from registry.intake.undoing import LONGEST_REASON, built_on, undo
from registry.models import Intake, User
from registry.pages.forms.base import Spoken
from registry.pages.intake.found import intake_for
from registry.pages.intake.told import CAUTIONS, counts_table, steps
from registry.pages.unit import person_of
from registry.vocabulary import IntakeState

PROBLEMS_SHOWN = 100
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
SILENT = (
    "Nothing was heard of this work for more than a minute. Where the machine was restarted, go on: it "
    "begins again, and nothing is taken in twice."
)
TAKEN_UP_WITHIN = timedelta(seconds=20)
NOT_TAKEN_UP = "Nobody has taken it up. Start it again."
NO_REPORT = "There is no rehearsal whose problems could be marked. Rehearse it first."


class UndoForm(Spoken, forms.Form):
    """Why an intake is undone."""

    reason = forms.CharField(max_length=LONGEST_REASON, help_text="Kept with your name and the time.")


def intake(request: HttpRequest, intake: UUID) -> HttpResponse:
    """Progress, rehearsal or result; on to the columns while they are being named."""
    found = intake_for(request, intake)
    is_at_work = found.state in jobs.AT_WORK
    if request.headers.get("HX-Request") and not is_at_work:
        # Asked for by the bar alone: the whole page has something else to show now.
        return HttpResponse(headers={"HX-Refresh": "true"})
    if found.state == IntakeState.OPEN and not found.told:
        return redirect("intake_columns", found.uuid)
    return _shown(request, found, UndoForm())


@require_POST
def intake_rehearsal(request: HttpRequest, intake: UUID) -> HttpResponse:
    """Begin the rehearsal."""
    return _acted(request, intake, jobs.rehearse)


@require_POST
def confirm_intake(request: HttpRequest, intake: UUID) -> HttpResponse:
    """Take in what was rehearsed, without what is refused only where that was ticked."""
    leaves = "leave_refused" in request.POST
    return _acted(request, intake, lambda found, by: jobs.confirm(found, by, leave_refused=leaves))


@require_POST
def cancel_intake(request: HttpRequest, intake: UUID) -> HttpResponse:
    """Stop the work on it."""
    return _acted(request, intake, jobs.cancel)


@require_POST
def go_on_intake(request: HttpRequest, intake: UUID) -> HttpResponse:
    """Take up work that broke off."""
    return _acted(request, intake, jobs.go_on)


@require_POST
def drop_intake(request: HttpRequest, intake: UUID) -> HttpResponse:
    """Give the file up."""
    return _acted(request, intake, files.drop, "The file is dropped: nothing of it is kept.")


@require_POST
def undo_intake(request: HttpRequest, intake: UUID) -> HttpResponse:
    """Withdraw all that it brought, for a reason."""
    found = intake_for(request, intake)
    form = UndoForm(request.POST)
    if not form.is_valid():
        return _shown(request, found, form, status=422)
    reason = form.cleaned_data["reason"]
    return _acted(request, intake, lambda row, by: undo(row, by, reason), "All that it brought is withdrawn.")


def intake_annotated(request: HttpRequest, intake: UUID) -> HttpResponse:
    """The file as it came, every problem marked in its cell."""
    found = intake_for(request, intake)
    report = files.report_of(found)
    if report is None or found.file_sealed is None:
        messages.error(request, NO_REPORT)
        return redirect("intake", found.uuid)
    marked = annotated(files.content_of(found), found.file_name, report.problems)
    response = HttpResponse(marked, content_type=WORKBOOK)
    response["Content-Disposition"] = 'attachment; filename="problems-marked.xlsx"'
    return response


def _acted(
    request: HttpRequest, key: UUID, act: Callable[[Intake, User], object], done: str = ""
) -> HttpResponse:
    """Do it and show where the intake stands; told in words when it cannot be done as things stand now."""
    found = intake_for(request, key)
    try:
        act(found, person_of(request))
    except NotNow as refusal:
        messages.error(request, str(refusal))
    else:
        if done:
            messages.success(request, done)
    return redirect("intake", found.uuid)


def _shown(request: HttpRequest, found: Intake, form: UndoForm, status: int = 200) -> HttpResponse:
    report = None if found.state in jobs.AT_WORK else files.report_of(found)
    context = {
        "intake": found,
        "steps": steps(found, "intake"),
        "cautions": CAUTIONS,
        "is_at_work": found.state in jobs.AT_WORK,
        "may_cancel": found.state != IntakeState.TAKING_IN,
        "silent": _silent(found),
        "report": report,
        "form": form,
        **(_told(request, report) if report else {}),
    }
    if found.state == IntakeState.TAKEN_IN:
        context["built_on"] = built_on(found)
    return render(request, "registry/intake/intake.html", context, status=status)


def _told(request: HttpRequest, report: Report) -> dict[str, object]:
    problems = Paginator(report.problems, PROBLEMS_SHOWN).get_page(request.GET.get("page"))
    return {"counts": counts_table(report), "problems": problems}


def _silent(found: Intake) -> str:
    """Why the work may have to be started again; empty while somebody is at it."""
    if found.state not in jobs.AT_WORK or found.beat_at is None:
        return ""
    if found.state in jobs.BEGINS:
        return NOT_TAKEN_UP if timezone.now() - found.beat_at > TAKEN_UP_WITHIN else ""
    return SILENT if is_silent_since(found.beat_at) else ""
