"""Whose knee is operated on: a patient named by hospital number, or a knee on record."""

from functools import cached_property
from typing import Any, ClassVar

from django import forms
from django.db.models import QuerySet
from django.urls import reverse
from django.utils.html import format_html

from registry.models import Identity, Knee, Patient, Unit
from registry.models.limits import not_in_future
from registry.pages.forms.operation.base import Heading, Headings, Sectioned, with_blank
from registry.sealing import blind_index
from registry.vocabulary import Sex, Side


class PatientForm(Sectioned, forms.Form):
    """Whose knee: a patient of the unit known by hospital number, or a new one."""

    title = "Patient"
    HEADINGS: ClassVar[Headings] = {
        "patient": Heading("Patient", ("hospital_number", "sex", "born_on", "side", "unit"))
    }

    unit = forms.ModelChoiceField(Unit.objects.none())
    hospital_number = forms.CharField(
        max_length=40,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
        help_text="Kept sealed. A number the unit already has leads to the same patient.",
    )
    sex = forms.ChoiceField(choices=with_blank(Sex.choices))
    born_on = forms.DateField(label="Date of birth", validators=[not_in_future])
    side = forms.ChoiceField(choices=with_blank(Side.choices))

    def __init__(self, units: QuerySet[Unit], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"].queryset = units  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """A known hospital number must come with the sex and birth on record: two people never become one."""
        if self.known_patient and not self.errors:
            self._refuse_another_person(self.known_patient)
            self._refuse_known_knee(self.known_patient)
        return self.cleaned_data

    def _refuse_known_knee(self, known: Patient) -> None:
        """A knee's next operation is recorded from its story, where a tear that came back can be named."""
        side = self.cleaned_data.get("side")
        knee = Knee.objects.filter(patient=known, side=side).first()
        if knee:
            words = (
                'The {} knee of this patient is on record. Record its next operation from its <a href="{}">'
                "Knee story</a>, so that a tear that came back can be named."
            )
            self.add_error("side", format_html(words, side, reverse("knee_story", args=[knee.uuid])))

    def _refuse_another_person(self, known: Patient) -> None:
        sex, born_on = (self.cleaned_data[name] for name in ("sex", "born_on"))
        said = {"sex": Sex(sex).label.lower(), "born_on": f"date of birth {born_on}"}
        for name, words in said.items():
            if self.cleaned_data[name] != getattr(known, name):
                self.add_error(
                    name,
                    f"This hospital number belongs to a patient on record who does not match {words}. "
                    "Check both; nothing is merged.",
                )

    @cached_property
    def known_patient(self) -> Patient | None:
        """The patient of this unit with this hospital number, found without opening any identity."""
        unit, number = self.cleaned_data.get("unit"), self.cleaned_data.get("hospital_number")
        if not unit or not number:
            return None
        index = blind_index(unit.pk, number)
        identity = (
            Identity.objects.filter(unit=unit, hospital_number_index=index).select_related("patient").first()
        )
        return identity.patient if identity else None

    @cached_property
    def knee(self) -> Knee:
        """The knee operated on, of the known patient or of a new one."""
        said = self.cleaned_data
        person = self.known_patient or Patient(unit=said["unit"], sex=said["sex"], born_on=said["born_on"])
        return Knee(patient=person, side=said["side"])

    def rows(self) -> list[Any]:
        """The rows that are not on record yet."""
        if self.known_patient:
            return [self.knee]
        number, person = self.cleaned_data["hospital_number"], self.knee.patient
        return [person, Identity.sealed(person, hospital_number=number), self.knee]


class KnownKneeForm(Sectioned, forms.Form):
    """Another operation on a knee on record: only the unit is asked."""

    title = "Patient"
    HEADINGS: ClassVar[Headings] = {"patient": Heading("Patient", ("unit",))}

    unit = forms.ModelChoiceField(Unit.objects.none())

    def __init__(self, units: QuerySet[Unit], knee: Knee, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"].queryset = units  # type: ignore[attr-defined]
        self.knee = knee

    def rows(self) -> list[Any]:
        """Nothing new: patient and knee are on record."""
        return []
