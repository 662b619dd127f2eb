"""The page of what is open about an intake's columns and values, and on to the rehearsal once nothing is."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from registry.intake import files
from registry.intake.columns.questions import questions
from registry.intake.files import NotNow
from registry.models import Intake
from registry.pages.intake.column_forms import Posted
from registry.pages.intake.found import intake_for
from registry.pages.intake.questions import QuestionForm, answered
from registry.pages.intake.told import steps
from registry.pages.unit import person_of


def intake_values(request: HttpRequest, intake: UUID) -> HttpResponse:
    """What is open; answers are kept as they come, and what stays open is asked again."""
    found = intake_for(request, intake)
    if found.file_sealed is None:
        return redirect("intake", found.uuid)
    if request.method != "POST":
        return _shown(request, found, _asked(found))
    forms = _asked(found, request.POST)
    if not all([form.is_valid() for form in forms]):
        return _shown(request, found, forms, status=422)
    try:
        files.set_mapping(found, person_of(request), answered(files.mapping_of(found), forms))
    except NotNow as refusal:
        messages.error(request, str(refusal))
        return redirect("intake", found.uuid)
    return redirect("intake_values", found.uuid)


def _asked(intake: Intake, posted: Posted = None) -> list[QuestionForm]:
    mapping = files.mapping_of(intake)
    numbers = {each.sheet: (number, each) for number, each in enumerate(mapping.sheets, 1)}
    found = questions(files.sheets_of(intake), mapping, files.known_of(intake.unit))
    forms = []
    for question in found:
        number, said = numbers[question.sheet]
        forms.append(QuestionForm(question, said, number, posted))
    return forms


def _shown(
    request: HttpRequest, intake: Intake, forms: list[QuestionForm], status: int = 200
) -> HttpResponse:
    context = {
        "intake": intake,
        "steps": steps(intake, "intake_values"),
        "forms": forms,
        "can_be_answered": any(form.fields for form in forms),
        "has_used_sheet": any(each.is_used for each in files.mapping_of(intake).sheets),
    }
    return render(request, "registry/intake/values.html", context, status=status)
