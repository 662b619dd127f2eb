"""The forms of the operation as a whole: the procedure itself, and the rehabilitation planned after it."""

from collections.abc import Mapping
from typing import Any, ClassVar

from django.db.models import QuerySet

from registry.models import IndexProcedure, Rehabilitation, Surgeon
from registry.models.procedures import LIGAMENTS, OTHER_PROCEDURES
from registry.pages.forms.operation.base import (
    Heading,
    Headings,
    SectionedRecordForm,
    names_under,
    with_blank,
)
from registry.pages.forms.operation.patient import KnownKneeForm, PatientForm
from registry.rules.indications import PREREQUISITES
from registry.vocabulary import LigamentState, Staging

SURGEONS = ("lead_surgeon", "first_assistant", "repaired_by")
PROCEDURE: Headings = {
    "operation": Heading("Operation", ("operated_on", "lead_surgeon")),
    "team": Heading(
        "Team, anaesthetic and tourniquet",
        ("first_assistant", "repaired_by", "supervision", "anaesthetic", "tourniquet_min"),
        folded=True,
    ),
    "before": Heading(
        "Injury, and the patient at operation",
        (
            "injured_on",
            "injury_date_precision",
            "injury_cause",
            "preinjury_tegner",
            "bmi",
            "smoking",
            "asa",
        ),
    ),
    "prerequisites": Heading("Prerequisites checked at surgery", tuple(PREREQUISITES)),
    "measured": Heading(
        "Alignment and cartilage",
        ("hka_deg", "cartilage_medial", "cartilage_lateral", "cartilage_patellofemoral"),
    ),
    "ligaments": Heading(
        "Ligaments and staging",
        (*LIGAMENTS, "graft", "posteromedial_look", "staging", "ligament_planned_on"),
    ),
    "other": Heading("Other surgery in the same sitting", tuple(OTHER_PROCEDURES)),
}
REHABILITATION: Headings = {
    "planned": Heading(
        "Rehabilitation planned",
        (
            "full_weight_bearing_weeks",
            "brace_weeks",
            "flexion_limit_deg",
            "flexion_limit_weeks",
            "sport_return_months",
        ),
    )
}
TREATED_HERE, REPAIR_FIRST = "treated-here", "repair-first"


class ProcedureForm(SectionedRecordForm):
    """The operation itself."""

    title = "Operation"
    HEADINGS = PROCEDURE
    ONLY: ClassVar = {"graft": TREATED_HERE, "ligament_planned_on": REPAIR_FIRST}

    class Meta:
        model = IndexProcedure
        fields = names_under(PROCEDURE)

    def __init__(self, surgeons: QuerySet[Surgeon], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in SURGEONS:
            self.fields[name].queryset = surgeons  # type: ignore[attr-defined]
        self._ask_for_the_acl()

    def _ask_for_the_acl(self) -> None:
        """Of all ligaments the one whose state is never taken for granted."""
        acl: Any = self.fields["acl"]
        acl.choices, acl.required = with_blank(LigamentState.choices), True
        acl.error_messages["required"] = "ACL is missing. Choose its state; intact is not assumed."
        if self.instance.pk is None:
            self.initial["acl"] = acl.initial = ""

    def of(self, patient: PatientForm | KnownKneeForm) -> None:
        """Say whose knee it is, before the form is checked."""
        self.instance.unit = patient.cleaned_data["unit"]
        self.instance.knee = patient.knee

    def holding(self, said: Mapping[str, Any]) -> set[str]:
        treated = any(said.get(name) == LigamentState.TREATED_HERE for name in LIGAMENTS)
        staged = said.get("staging") == Staging.REPAIR_FIRST
        return {name for name, holds in ((TREATED_HERE, treated), (REPAIR_FIRST, staged)) if holds}

    def clean(self) -> dict[str, Any]:
        said = super().clean()
        unit = self.instance.unit if self.instance.unit_id else None
        for name in SURGEONS:
            surgeon = said.get(name)
            if unit and surgeon and not surgeon.units.filter(pk=unit.pk).exists():
                self.add_error(name, f"{surgeon} does not work at {unit}. Choose a surgeon of that unit.")
        return said


class RehabilitationForm(SectionedRecordForm):
    """Limits planned after the operation; left empty, nothing was planned."""

    title = "Rehabilitation planned"
    HEADINGS = REHABILITATION

    class Meta:
        model = Rehabilitation
        fields = names_under(REHABILITATION)

    @property
    def is_empty(self) -> bool:
        return all(value in (None, "") for value in self.values.values())
