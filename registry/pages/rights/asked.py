"""What these pages ask: a hospital number and why; and the mark by which what follows knows the patient.

The number is sent in the body alone and never written back; what follows carries a signed mark instead, good
for its person, its page and an hour.
"""

from datetime import timedelta
from typing import Any, ClassVar
from uuid import UUID

from django import forms
from django.core import signing

from registry.models import IdentityView, Patient, Unit, User
from registry.pages.forms.base import RecordForm, Spoken
from registry.recording import record
from registry.rights.finding import patient_of_number

NOBODY = "No patient of {unit} has this hospital number on record. Check it."
# How the reasons of the pages that look a patient up by number begin in the log of identities: they show
# nobody's identity, and so open none.
ERASURE, WHO_LOOKED = "Erasure looked at", "Who looked, "
# How long a page holds the patient that was found.
HELD_FOR = timedelta(hours=1)


class NumberForm(Spoken, forms.Form):
    """Whose record, by hospital number."""

    hospital_number = forms.CharField(
        max_length=40, widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"})
    )

    def __init__(self, unit: Unit, posted: Any = None) -> None:
        super().__init__(posted)
        self.unit = unit

    def clean(self) -> dict[str, Any]:
        self.patient: Patient | None = None
        if number := self.cleaned_data.get("hospital_number"):
            self.patient = patient_of_number(self.unit, number)
            if self.patient is None:
                self.add_error("hospital_number", NOBODY.format(unit=self.unit))
        return self.cleaned_data


class WhyForm(NumberForm):
    """The same, and why it is opened."""

    reason = forms.CharField(max_length=170, help_text="Kept with your name and the time. Name nobody in it.")


class OpeningForm(RecordForm):
    """Why an identity is opened."""

    class Meta:
        model = IdentityView
        fields = ("reason",)
        help_texts: ClassVar = {"reason": "Kept with your name and the time. Name nobody in it."}


def note_view(patient: Patient, user: User, reason: str) -> None:
    """Log that a patient was opened by number, as an opening of their identity is logged."""
    record(IdentityView(patient=patient, user=user, reason=reason))


def mark_of(patient: Patient, unit: Unit, user: User, page: str) -> str:
    """A mark of the patient, for the form of a page that follows."""
    return signing.dumps([str(patient.uuid), unit.pk, user.pk], salt=page)


def patient_of_mark(mark: str, unit: Unit, user: User, page: str) -> Patient | None:
    """Whom a mark stands for; None where it is out of date, another's, or made up."""
    try:
        uuid, unit_key, user_key = signing.loads(mark, salt=page, max_age=HELD_FOR)
    except signing.BadSignature:
        return None
    if (unit_key, user_key) != (unit.pk, user.pk):
        return None
    return Patient.objects.select_related("unit").filter(uuid=UUID(uuid)).first()
