"""Record an operation: one page, saved whole or not at all."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import cache_control

from registry.access import Action, knee_for, require
from registry.models import User
from registry.pages.forms.base import problems_of
from registry.pages.forms.operation import OperationEntry
from registry.pages.forms.saving import save


@cache_control(no_store=True)
def record_operation(request: HttpRequest, knee: UUID | None = None) -> HttpResponse:
    """The empty page, the page with what is to be mended, or on to the Knee story.

    With `knee`, another operation on a knee on record, in which a tear may be the return of an earlier one.
    """
    units = require(request.user, Action.RECORD_OPERATION)
    known = knee_for(request.user, knee, Action.RECORD_OPERATION) if knee else None
    assert isinstance(request.user, User)  # noqa: S101 - require() let nobody else pass
    posted = request.POST if request.method == "POST" else None
    entry = OperationEntry.of(request.user, units, known, posted)
    if posted is not None and entry.is_valid() and save(entry.entries()):
        messages.success(request, "The operation is recorded.")
        return redirect("knee_story", entry.patient.knee.uuid)
    problems = problems_of(entry.forms) if posted is not None else []
    context = {"entry": entry, "knee": known, "problems": problems}
    return render(request, "registry/record_operation.html", context, status=422 if problems else 200)
