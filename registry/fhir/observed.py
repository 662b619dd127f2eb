"""Fields of the record that are Observations, with their UCUM units, and the Observations themselves.

A field that says nothing is left out; unknown is not carried as a value.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db import models

from registry.fhir.datatypes import Json, choice_concept, concept, derived, field_concept, quantity, reference
from registry.models.procedures import LIGAMENTS
from registry.models.repairs import ACCOMPANYING
from registry.rules.indications import PREREQUISITES

# Each field an Observation of its own; the unit where it has one.
OBSERVED: dict[str, dict[str, str]] = {
    "IndexProcedure": {
        "injury_cause": "", "bmi": "kg/m2", "smoking": "", "asa": "", "preinjury_tegner": "{score}",
        "tourniquet_min": "min", **dict.fromkeys(PREREQUISITES, ""), "hka_deg": "deg", "cartilage_medial": "",
        "cartilage_lateral": "", "cartilage_patellofemoral": "", **dict.fromkeys(LIGAMENTS, ""),
        "posteromedial_look": "", "staging": "", "ligament_planned_on": "", "graft": "", "anaesthetic": "",
        "supervision": "",
    },
    "Tear": {
        **dict.fromkeys(ACCOMPANYING, ""), "depth": "", "radial_location": "", "length_mm": "mm",
        "rim_zone": "", "rim_width_mm": "mm", "vascular_zone": "", "before_popliteal_hiatus": "",
        "tissue": "", "displaced": "", "unstable": "", "root_type": "", "root_distance_mm": "mm",
        "ramp_type": "", "map_step": "", "treatment": "",
    },
    "Repair": {
        "rasped": "", "trephined": "", "shaved": "", "tunnels": "", "tibial_fixation": "", "augmentation": "",
        "prp_blood_ml": "mL", "stable_at_end": "",
    },
    "Visit": {
        "time_point": "", "effusion": "", "joint_line_tenderness": "", "mcmurray": "", "flexion_deg": "deg",
        "extension_deg": "deg", "lachman": "", "pivot": "", "sport_return": "", "employed_as_before": "",
    },
    "ImagingFinding": {
        "signal_to_surface": "", "fluid_in_repair": "", "extrusion_mm": "mm", "healed": "",
    },
    "SecondLookFinding": {
        "healed_thickness_percent": "%", "healed_length_percent": "%", "stable_on_probing": "",
        "sutures_covered": "", "vessels_seen": "", "action": "",
    },
    "ReoperationOnTear": {"site": "", "action": ""},
}  # fmt: skip
# Rows that are one Observation with a component for each field.
GROUPED: dict[str, dict[str, str]] = {
    "SuturePass": {"configuration": "", "surface": "", "number": "", "suture_size": "", "spacing_mm": "mm"},
    "Rehabilitation": {
        "course": "",
        "full_weight_bearing_weeks": "wk",
        "brace_weeks": "wk",
        "flexion_limit_deg": "deg",
        "flexion_limit_weeks": "wk",
        "sport_return_months": "mo",
    },
    "TearReading": dict.fromkeys(
        ("pattern", "depth", "radial_location", "rim_zone", "vascular_zone", "tissue"), ""
    ),
    "EndOfFollowUp": {"reason": "", "attempts": ""},
    "PatientReport": {
        "time_point": "",
        "way": "",
        "operated_again": "",
        "fever": "",
        "calf_pain": "",
        "locked_knee": "",
    },
}


@dataclass(frozen=True, slots=True)
class About:
    """What Observations are about: whose, when, and the resources they were made with and speak of."""

    patient: UUID
    on: str
    encounter: UUID | None = None
    focus: UUID | None = None

    def as_json(self) -> Json:
        said: Json = {"subject": reference(self.patient), "effectiveDateTime": self.on}
        if self.encounter:
            said["encounter"] = reference(self.encounter)
        if self.focus:
            said["focus"] = [reference(self.focus)]
        return said


def observations(row: models.Model, key: UUID, about: About) -> list[Json]:
    """One Observation for each field of OBSERVED that says something; `key` is what theirs derive from."""
    return [
        observation(derived(key, name), field_concept(row._meta.get_field(name)), about, **value)
        for name, unit in OBSERVED[type(row).__name__].items()
        if (value := _value(row, name, unit))
    ]


def grouped(row: models.Model, key: UUID, about: About) -> Json:
    """A row of GROUPED as one Observation with components."""
    name = type(row).__name__
    components = [
        {"code": field_concept(row._meta.get_field(field)), **value}
        for field, unit in GROUPED[name].items()
        if (value := _value(row, field, unit))
    ]
    code = concept("row", name, str(row._meta.verbose_name))
    return observation(key, code, about, component=components)


def observation(key: UUID, code: Json, about: About, **said: Any) -> Json:
    """A final Observation."""
    return {
        "resourceType": "Observation",
        "id": str(key),
        "status": "final",
        "code": code,
        **about.as_json(),
        **said,
    }


def _value(row: models.Model, name: str, unit: str) -> Json:
    """The value[x] of a field; empty where it says nothing."""
    field: Any = row._meta.get_field(name)
    value = getattr(row, name)
    if value is None or value == "":
        return {}
    if field.choices:
        return {"valueCodeableConcept": choice_concept(row, name)}
    if isinstance(value, bool):
        return {"valueBoolean": value}
    if unit:
        return {"valueQuantity": quantity(value, unit)}
    return {"valueInteger": value} if isinstance(value, int) else {"valueDateTime": value.isoformat()}


def fields_of(model: str) -> Sequence[str]:
    """The fields of a model that are carried as Observations or their components."""
    return [*OBSERVED.get(model, ()), *GROUPED.get(model, ())]
