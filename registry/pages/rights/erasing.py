"""Erase: by hospital number, first what would go and stay, then the day, the reason and the number again."""

from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import IntegrityError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.text import capfirst
from django.views.decorators.debug import sensitive_post_parameters

from registry.access import Action, unit_for
from registry.models import Erasure, Patient, Unit, User
from registry.pages.forms.base import Spoken
from registry.pages.rights.asked import ERASURE, NumberForm, mark_of, note_view, patient_of_mark
from registry.pages.unit import person_of
from registry.rights import given_out
from registry.rights.belonging import Keys
from registry.rights.erasing import Request, erase, going, may_keep_outcome, why_not
from registry.rights.finding import patient_of_number
from registry.signing_in.confirming import confirm_first

PAGE = "registry.erase"
ANOTHER = "This is not the hospital number of the patient shown. Nothing was erased. Enter that patient's."
MEANWHILE = "Nothing was erased: somebody wrote to this record at the same moment. Look again and repeat it."
OUT_OF_DATE = "Nothing was erased: the page was open for too long. Find the patient again."
DONE = {
    True: "The identity is erased. Repairs and outcomes stay, without a name.",
    False: "The whole record of the patient is erased.",
}


class ErasureForm(Spoken, forms.Form):
    """When and why it was asked, and the number once more, so that nobody is erased by mistake."""

    asked_on = forms.DateField(label="Day on which the patient asked")
    reason = forms.CharField(
        max_length=200,
        help_text="What was asked and what the decision rests on; mostly Art. 17 GDPR. Kept for good: name "
        "nobody.",
    )
    everything = forms.BooleanField(label="Remove repairs and outcomes too", required=False)
    hospital_number = forms.CharField(
        label="Hospital number, typed again",
        max_length=40,
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
    )

    def __init__(self, unit: Unit, patient: Patient, posted: Any = None) -> None:
        super().__init__(posted, prefix="erasure", use_required_attribute=False)
        self.unit, self.patient = unit, patient
        if not may_keep_outcome(patient):
            del self.fields["everything"]

    def clean_hospital_number(self) -> str:
        number: str = self.cleaned_data["hospital_number"]
        if patient_of_number(self.unit, number) != self.patient:
            raise ValidationError(ANOTHER)
        return number

    def asked(self, by: User) -> Request:
        said = self.cleaned_data
        everything = said.get("everything", False)
        return Request(self.patient, self.unit, by, said["asked_on"], said["reason"], everything)


@dataclass(frozen=True, slots=True)
class Plan:
    """What would go and what would stay, in numbers of rows."""

    keeps_outcome: bool
    goes: list[tuple[str, int]]
    stays: list[tuple[str, int]]

    @classmethod
    def of(cls, patient: Patient) -> "Plan":
        keeps = may_keep_outcome(patient)
        gone, held = going(patient, keeps), going(patient, keeps_outcome=False)
        left = {model: keys - gone.get(model, set()) for model, keys in held.items()}
        return cls(keeps, _counted(gone), _counted(left))


@sensitive_post_parameters()
@confirm_first
def erase_patient(request: HttpRequest, unit: str) -> HttpResponse:
    """The question whose; then what would go; then, with the number typed again, it is done."""
    found = unit_for(request.user, unit, Action.MANAGE_UNIT)
    if "patient" in request.POST:
        return _erase(request, found)
    form = NumberForm(found, request.POST if request.method == "POST" else None)
    if form.is_valid() and form.patient:
        note_view(form.patient, person_of(request), ERASURE)
        return _shown(request, found, form.patient)
    return _page(request, found, {"form": form}, 422 if form.is_bound else 200)


def _erase(request: HttpRequest, unit: Unit) -> HttpResponse:
    person = person_of(request)
    patient = patient_of_mark(request.POST["patient"], unit, person, PAGE)
    if patient is None:
        messages.error(request, OUT_OF_DATE)
        return redirect("erase", unit.code)
    form = ErasureForm(unit, patient, request.POST)
    if form.is_valid() and not why_not(patient, person) and (done := _done(form, person)):
        messages.success(request, DONE[done.keeps_outcome])
        return redirect("erase", unit.code)
    return _shown(request, unit, patient, form)


def _done(form: ErasureForm, by: User) -> Erasure | None:
    """The erasure, or None with what stands in its way on the form."""
    try:
        return erase(form.asked(by))
    except ValidationError as refusal:
        form.add_error(None, refusal)
    except (IntegrityError, Patient.DoesNotExist):
        form.add_error(None, MEANWHILE)
    return None


def _shown(
    request: HttpRequest, unit: Unit, patient: Patient, form: ErasureForm | None = None
) -> HttpResponse:
    person = person_of(request)
    context = {
        "patient": patient,
        "plan": Plan.of(patient),
        "releases": given_out.of(patient.uuid),
        "refused": why_not(patient, person),
        "form": form or ErasureForm(unit, patient),
        "mark": mark_of(patient, unit, person, PAGE),
    }
    return _page(request, unit, context, 422 if form else 200)


def _page(request: HttpRequest, unit: Unit, context: dict[str, Any], status: int) -> HttpResponse:
    erased = Erasure.objects.filter(unit=unit).select_related("by")
    return render(
        request, "registry/rights/erase.html", {"unit": unit, "erased": erased, **context}, status=status
    )


def _counted(keys: Keys) -> list[tuple[str, int]]:
    return [
        (str(capfirst(model._meta.verbose_name_plural)), len(held)) for model, held in keys.items() if held
    ]
