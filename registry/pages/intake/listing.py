"""Intakes: the files that were brought, and a new one."""

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_POST

from registry.access import Action, require
from registry.intake import files, jobs
from registry.intake.file.sheet import FileRefused
from registry.models import Intake, Unit
from registry.pages.intake.found import intakes_of
from registry.pages.intake.told import CAUTIONS, brought
from registry.pages.intake.upload import FileForm, InMemory
from registry.pages.unit import person_of

PAGE_SIZE = 20


@dataclass(frozen=True, slots=True)
class Line:
    """One intake of the list, with what it brought or would bring."""

    intake: Intake
    brought: str


def intakes(request: HttpRequest) -> HttpResponse:
    """Every file of one's units, newest first. Opening the list drops those that were forgotten."""
    units = require(request.user, Action.TAKE_IN)
    if dropped := jobs.drop_forgotten(Intake.objects.filter(unit__in=units), person_of(request)):
        messages.info(
            request,
            f"{dropped} file{'' if dropped == 1 else 's'} that nobody went on with for "
            f"{jobs.FORGOTTEN_AFTER.days} days were dropped, since they name patients.",
        )
    return _listed(request, units, FileForm(units))


@csrf_exempt  # checked by the view within, once the file is not to be written to disk
def new_intake(request: HttpRequest) -> HttpResponse:
    """Begin with a file; one that cannot be read is refused in words, and nothing of it is kept."""
    memory = InMemory(request)
    request.upload_handlers = [memory]
    return _new_intake(request, memory)


@require_POST
@csrf_protect
def _new_intake(request: HttpRequest, memory: InMemory) -> HttpResponse:
    units = require(request.user, Action.TAKE_IN)
    posted: tuple[Any, Any] = request.POST, request.FILES
    form = FileForm(units, *posted, is_too_large=memory.is_too_large)
    if form.is_valid() and (intake := _begun(request, form)):
        return redirect("intake_columns", intake.uuid)
    return _listed(request, units, form)


def _begun(request: HttpRequest, form: FileForm) -> Intake | None:
    """The intake; None, with the reason on the form, where the file cannot be read."""
    file = form.cleaned_data["file"]
    try:
        return files.begin(form.chosen_unit, person_of(request), file.name, file.read())
    except FileRefused as refusal:
        form.add_error("file", str(refusal))
        return None


def _listed(request: HttpRequest, units: QuerySet[Unit], form: FileForm) -> HttpResponse:
    page = Paginator(intakes_of(units), PAGE_SIZE).get_page(request.GET.get("page"))
    context = {
        "form": form,
        "cautions": CAUTIONS,
        "page": page,
        "lines": [Line(intake, brought(files.report_of(intake))) for intake in page],
        "shows_unit": len(units) > 1,
    }
    return render(request, "registry/intake/intakes.html", context, status=422 if form.is_bound else 200)
