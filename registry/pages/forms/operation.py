"""The forms of one operation: whose knee, what kind of operation, and each tear with its repair."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar, Self

from django import forms
from django.db.models import QuerySet
from django.urls import reverse
from django.utils.html import format_html

from registry.access import surgeons_of
from registry.models import Identity, IndexProcedure, Knee, Patient, Repair, Surgeon, Tear, Unit, User
from registry.models.limits import not_in_future
from registry.models.procedures import LIGAMENTS
from registry.models.repairs import TECHNIQUE_FIELDS
from registry.pages.forms.base import Groups, RecordForm, Spoken, fields_of
from registry.pages.forms.saving import Entry
from registry.pages.tears import Offered, repaired_before
from registry.rules.indications import PREREQUISITES
from registry.sealing import blind_index
from registry.vocabulary import REPAIRED_TREATMENTS, Sex, Side, Technique

TEARS = 3
Posted = Mapping[str, Any] | None

PROCEDURE_GROUPS: Groups = {
    "Operation": (
        "operated_on",
        "lead_surgeon",
        "first_assistant",
        "repaired_by",
        "supervision",
        "anaesthetic",
        "tourniquet_min",
    ),
    "Injury": ("injured_on", "injury_date_precision", "injury_cause", "preinjury_tegner"),
    "Patient at operation": ("bmi", "smoking", "asa"),
    "Prerequisites checked at surgery": tuple(PREREQUISITES),
    "Alignment and cartilage": (
        "hka_deg",
        "cartilage_medial",
        "cartilage_lateral",
        "cartilage_patellofemoral",
    ),
    "Ligaments and staging": (*LIGAMENTS, "posteromedial_look", "staging", "ligament_planned_on"),
}
REPAIR_GROUPS: Groups = {
    "Technique, any of": TECHNIQUE_FIELDS,
    "Preparation, augmentation and end": (
        "rasped",
        "trephined",
        "shaved",
        "tunnels",
        "tibial_fixation",
        "augmentation",
        "prp_blood_ml",
        "stable_at_end",
    ),
}


class PatientForm(Spoken, forms.Form):
    """Whose knee: a patient of the unit known by hospital number, or a new one."""

    title = "Patient"
    unit = forms.ModelChoiceField(Unit.objects.none())
    hospital_number = forms.CharField(
        max_length=40,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
        help_text="Kept sealed. A number the unit already has leads to the same patient.",
    )
    sex = forms.ChoiceField(choices=Sex.choices, widget=forms.RadioSelect)
    born_on = forms.DateField(label="Date of birth", validators=[not_in_future])
    side = forms.ChoiceField(choices=Side.choices, widget=forms.RadioSelect)

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


class KnownKneeForm(Spoken, forms.Form):
    """Another operation on a knee on record: only the unit is asked."""

    title = "Patient"
    unit = forms.ModelChoiceField(Unit.objects.none())

    def __init__(self, units: QuerySet[Unit], knee: Knee, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"].queryset = units  # type: ignore[attr-defined]
        self.knee = knee

    def rows(self) -> list[Any]:
        """Nothing new: patient and knee are on record."""
        return []


class ProcedureForm(RecordForm):
    """The operation itself."""

    title = "Operation"
    GROUPS = PROCEDURE_GROUPS

    class Meta:
        model = IndexProcedure
        fields = fields_of(PROCEDURE_GROUPS)

    def __init__(self, surgeons: QuerySet[Surgeon], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("lead_surgeon", "first_assistant", "repaired_by"):
            self.fields[name].queryset = surgeons  # type: ignore[attr-defined]

    def of(self, patient: PatientForm | KnownKneeForm) -> None:
        """Say whose knee it is, before the form is checked."""
        self.instance.unit = patient.cleaned_data["unit"]
        self.instance.knee = patient.knee

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or self.cleaned_data
        unit = self.instance.unit if self.instance.unit_id else None
        for name in ("lead_surgeon", "first_assistant", "repaired_by"):
            surgeon = said.get(name)
            if unit and surgeon and not surgeon.units.filter(pk=unit.pk).exists():
                self.add_error(name, f"{surgeon} does not work at {unit}. Choose a surgeon of that unit.")
        return said


class ReturnField(forms.TypedChoiceField):
    """Whether a tear is new or the return of an earlier one. Neither is assumed."""

    NEW = "new"

    def __init__(self, earlier: Offered) -> None:
        tears = {str(tear.pk): tear for tear, _ in earlier}
        super().__init__(
            choices=[(self.NEW, "A new tear"), *((str(tear.pk), words) for tear, words in earlier)],
            coerce=tears.get,
            empty_value=None,
            widget=forms.RadioSelect,
            label="New, or the return of an earlier tear",
            help_text="If it was repaired before, that repair failed on the day of this operation.",
            error_messages={"required": "Say whether this tear is new or the return of an earlier one."},
        )


class TearForm(RecordForm):
    """One tear as found."""

    WIDE = ("revises",)

    class Meta:
        model = Tear
        fields = (
            "meniscus",
            "pattern",
            "accompanying_pattern",
            "treatment",
            "vascular_zone",
            "rim_zone",
            "radial_location",
            "depth",
            "length_mm",
            "tissue",
            "displaced",
            "unstable",
            "before_popliteal_hiatus",
            "root_type",
            "ramp_type",
        )

    def __init__(self, earlier: Offered, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if earlier:
            self.fields["revises"] = ReturnField(earlier)

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or self.cleaned_data
        self.instance.revises = said.get("revises")
        return said

    @property
    def says_repaired(self) -> bool:
        return self["treatment"].value() in REPAIRED_TREATMENTS


class RepairForm(RecordForm):
    """How one tear was repaired."""

    GROUPS = REPAIR_GROUPS

    class Meta:
        model = Repair
        fields = fields_of(REPAIR_GROUPS)
        labels: ClassVar = {technique.value: technique.label for technique in Technique}


@dataclass
class TearCard:
    """One tear and its repair on the page; a card left as it came is no tear."""

    number: int
    tear: TearForm
    repair: RepairForm

    @classmethod
    def numbered(cls, number: int, earlier: Offered, posted: Posted) -> Self:
        tear = TearForm(
            earlier, posted, prefix=f"tear-{number}", empty_permitted=True, use_required_attribute=False
        )
        repair = RepairForm(
            posted, prefix=f"repair-{number}", empty_permitted=True, use_required_attribute=False
        )
        tear.title, repair.title = f"Tear {number}", f"Repair of tear {number}"
        return cls(number, tear, repair)

    @property
    def is_used(self) -> bool:
        filled = self.tear.is_bound and (self.tear.has_changed() or self.repair.has_changed())
        return self.number == 1 or filled

    def is_valid(self) -> bool:
        self.tear.empty_permitted = not self.is_used
        # A tear said to be repaired owes a technique.
        self.repair.empty_permitted = not self.tear.says_repaired
        return all([self.tear.is_valid(), self.repair.is_valid()])

    def entries(self, procedure: IndexProcedure) -> list[Entry]:
        if not self.is_used:
            return []
        self.tear.instance.procedure = procedure
        self.repair.instance.tear = self.tear.instance
        entries: list[Entry] = [(self.tear, self.tear.instance)]
        if self.tear.says_repaired or self.repair.has_changed():
            entries.append((self.repair, self.repair.instance))
        return entries


@dataclass
class OperationEntry:
    """Everything on the page that records an operation."""

    patient: PatientForm | KnownKneeForm
    procedure: ProcedureForm
    cards: list[TearCard]

    @classmethod
    def of(cls, person: User, units: QuerySet[Unit], knee: Knee | None, posted: Posted = None) -> Self:
        """The page for a patient to be named, or for a knee that is on record already."""
        first = {"unit": units.first() if len(units) == 1 else None}
        own = {"lead_surgeon": surgeons_of(units).filter(user=person).first()}
        patient: PatientForm | KnownKneeForm
        if knee:
            patient = KnownKneeForm(units, knee, posted, prefix="patient", initial=first)
        else:
            patient = PatientForm(units, posted, prefix="patient", initial=first)
        earlier = repaired_before(knee) if knee else []
        return cls(
            patient,
            ProcedureForm(surgeons_of(units), posted, prefix="operation", initial=own),
            [TearCard.numbered(number, earlier, posted) for number in range(1, TEARS + 1)],
        )

    @property
    def forms(self) -> list[Spoken]:
        cards = [form for card in self.cards for form in (card.tear, card.repair)]
        return [self.patient, self.procedure, *cards]

    def is_valid(self) -> bool:
        # Every part is checked, so that all there is to mend is said at once.
        known = self.patient.is_valid()
        if known:
            self.procedure.of(self.patient)
        return all([known, self.procedure.is_valid(), *[card.is_valid() for card in self.cards]])

    def entries(self) -> list[Entry]:
        """Form and row, a row after those it refers to."""
        operation = self.procedure.instance
        patient: list[Entry] = [(self.patient, row) for row in self.patient.rows()]
        tears = [entry for card in self.cards for entry in card.entries(operation)]
        return [*patient, (self.procedure, operation), *tears]
