"""The surgeons of a unit: who they are, whose account is theirs, and which grade they held when."""

from collections.abc import Mapping
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render

from registry.access import Action, unit_for, units_for
from registry.isolation.scope import whole_house
from registry.models import GradePeriod, Surgeon, Unit, User
from registry.pages.forms.base import Spoken, problems_of
from registry.pages.forms.saving import attempt
from registry.pages.forms.unit import GradeForm, NewSurgeonForm, RowPage, SurgeonForm, accounts_for
from registry.pages.forms.withdrawal import WhyWithdrawn
from registry.pages.unit import answered, person_of
from registry.recording import Act, correct, withdraw
from registry.signing_in.confirming import confirm_first

# The reason kept with what is entered for the first time.
ENTERED = "Entered on the Unit page"
ALSO_ELSEWHERE = "This surgeon also works in a unit that you do not manage: the account is not changed here."


@confirm_first
def add_surgeon(request: HttpRequest, unit: str) -> HttpResponse:
    """A surgeon not on record yet."""
    found = unit_for(request.user, unit, Action.MANAGE_UNIT)
    form = NewSurgeonForm(accounts_for(found, Surgeon()), _posted(request))
    if form.is_valid() and _added(form, found, person_of(request)):
        messages.success(request, f"{form.instance} is on record. The grade and since when are entered here.")
        return redirect("add_grade", found.code, form.instance.code)
    return _form_page(request, found, form, heading="Add a surgeon", button="Add the surgeon")


@confirm_first
def unit_surgeon(request: HttpRequest, unit: str, surgeon: str) -> HttpResponse:
    """One surgeon: a form with the reason for a change, and the grades over time."""
    found, known = _surgeon_of(request, unit, surgeon)
    shared = _works_elsewhere(known, person_of(request))

    def build(posted: Mapping[str, Any] | None) -> RowPage:
        accounts = None if shared else accounts_for(found, known)
        return RowPage(SurgeonForm(accounts, posted, instance=Surgeon.objects.get(pk=known.pk)))

    context = {
        "surgeon": known,
        "grades": known.grades.order_by("since"),
        "note": ALSO_ELSEWHERE if shared else "",
    }
    done = f"What is on record of {known} is changed."
    return answered(request, found, known, build, f"{known}, surgeon {known.code}", done, **context)


def add_grade(request: HttpRequest, unit: str, surgeon: str) -> HttpResponse:
    """A grade and the day since when it is held."""
    found, known = _surgeon_of(request, unit, surgeon)
    form = GradeForm(_posted(request), instance=GradePeriod(surgeon=known))
    act = Act(person_of(request), ENTERED)
    if form.is_valid() and attempt(lambda: correct(form.instance, act=act), [(form, form.instance)]):
        messages.success(request, f"{known}: {form.instance}.")
        return redirect("unit_surgeon", found.code, known.code)
    context = {"surgeon": known, "heading": f"Add a grade of {known}", "button": "Add the grade"}
    return _form_page(request, found, form, **context)


def withdraw_grade(request: HttpRequest, unit: str, surgeon: str, grade: int) -> HttpResponse:
    """Take back a grade that was entered wrongly, with the reason."""
    found, known = _surgeon_of(request, unit, surgeon)
    wrong = known.grades.filter(pk=grade).first()
    if wrong is None:
        raise Http404
    form = WhyWithdrawn(_posted(request))
    if form.is_valid():
        withdraw(wrong, form.act(person_of(request)))
        messages.success(request, f"{known}: {wrong} is withdrawn.")
        return redirect("unit_surgeon", found.code, known.code)
    context = {"surgeon": known, "heading": f"Withdraw: {known}, {wrong}", "button": "Withdraw the grade"}
    return _form_page(request, found, form, **context)


def _posted(request: HttpRequest) -> QueryDict | None:
    return request.POST if request.method == "POST" else None


def _surgeon_of(request: HttpRequest, unit: str, code: str) -> tuple[Unit, Surgeon]:
    found = unit_for(request.user, unit, Action.MANAGE_UNIT)
    surgeon = found.surgeons.filter(code=code).first()
    if surgeon is None:
        raise Http404
    return found, surgeon


def _works_elsewhere(surgeon: Surgeon, person: User) -> bool:
    """Whether a surgeon works in a unit that the person does not manage: whose results an account opens."""
    # Asked of the whole house: a unit that the person has no role in does not show to them.
    with whole_house():
        return surgeon.units.exclude(pk__in=units_for(person, Action.MANAGE_UNIT)).exists()


@transaction.atomic
def _added(form: NewSurgeonForm, unit: Unit, by: User) -> bool:
    row = form.instance
    if saved := attempt(lambda: correct(row, act=Act(by, ENTERED)), [(form, row)]):
        row.units.add(unit)
    return saved


def _form_page(request: HttpRequest, unit: Unit, form: Spoken, **context: Any) -> HttpResponse:
    """A page of one form; sent in vain, with what is to be mended."""
    problems = problems_of([form]) if form.is_bound else []
    context |= {"unit": unit, "forms": [form], "problems": problems}
    return render(request, "registry/unit_row.html", context, status=422 if problems else 200)
