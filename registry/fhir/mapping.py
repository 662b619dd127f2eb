"""Where each field of the record goes among FHIR R5 resources, and which are not carried, with the reason."""

from collections.abc import Iterator
from dataclasses import dataclass

from registry.fhir.observed import GROUPED, OBSERVED, fields_of
from registry.models.history_rules import kept_models
from registry.models.procedures import OTHER_PROCEDURES
from registry.models.repairs import TECHNIQUE_FIELDS

# Columns that every row has.
_OF_EVERY_ROW = {
    "id": "not carried: a key of this database",
    "version": "not carried: see meta.lastUpdated",
    "withdrawn_at": "not carried: a withdrawn row is left out",
    "uuid": "id of the resource",
    "recorded_at": "meta.lastUpdated, or the time of the latest correction",
    "recorded_by": "not carried: an account of this installation",
}
_KEPT_HERE = "not carried: of this installation alone"
_IDENTITY = "not carried: it names the patient"
_WORDS = "not carried: the patient's words may name people and places"
# Models that are not carried whole, and why.
NOT_CARRIED: dict[str, str] = {
    "Unit": "not carried but for its code, Patient.managingOrganization and Encounter.serviceProvider",
    "Surgeon": "not carried but for the code, Procedure.performer.actor.identifier",
    "GradePeriod": _KEPT_HERE,
    "PlannedTimePoint": _KEPT_HERE,
    "Identity": _IDENTITY,
    "GivenUpReview": _KEPT_HERE,
    "BookedVisit": _KEPT_HERE,
    "SoftAnswer": _KEPT_HERE,
}
_TARGETS: dict[str, dict[str, str]] = {
    "Patient": {
        "unit": "Patient.managingOrganization",
        "sex": "Patient.gender",
        "born_on": "Patient.birthDate",
        "born_on_is_exact": "precision of Patient.birthDate",
        "died_on": "Patient.deceasedDateTime",
        "research_permission": "not carried: a consent is given to this unit",
        "research_permission_on": "not carried: a consent is given to this unit",
        "language": _KEPT_HERE,
        "reminders": _KEPT_HERE,
    },
    "Knee": {"patient": "subject of every resource", "side": "Procedure.bodySite, Condition.bodySite"},
    "IndexProcedure": {
        "knee": "Procedure.bodySite, Procedure.subject",
        "unit": "Encounter.serviceProvider",
        "operated_on": "Procedure.occurrenceDateTime, Encounter.actualPeriod, Condition.recordedDate",
        "lead_surgeon": "Procedure.performer",
        "first_assistant": "Procedure.performer",
        "repaired_by": "Procedure.performer",
        "injured_on": "Condition.onsetDateTime",
        "injury_date_precision": "precision of Condition.onsetDateTime",
        **dict.fromkeys(OTHER_PROCEDURES, "Procedure.code.coding"),
        "from_old_notes": _KEPT_HERE,
        "signed_at": _KEPT_HERE,
        "signed_by": _KEPT_HERE,
    },
    "Rehabilitation": {"procedure": "Observation.focus"},
    "Implant": {
        "procedure": "Procedure.focalDevice.manipulated",
        "device_identifier": "Device.udiCarrier.deviceIdentifier",
        "lot": "Device.lotNumber",
        "serial": "Device.serialNumber",
        "expires_on": "Device.expirationDate",
        "count": "Procedure.focalDevice, extension implants-used",
    },
    "Tear": {
        "procedure": "Condition.encounter",
        "meniscus": "Condition.bodySite, Procedure.bodySite",
        "pattern": "Condition.code",
        "revises": "Condition.clinicalStatus recurrence, extension return-of",
    },
    "Repair": {
        "tear": "Procedure.reason",
        **dict.fromkeys(TECHNIQUE_FIELDS, "Procedure.code.coding"),
    },
    "SuturePass": {"repair": "Observation.focus"},
    "TearReading": {"tear": "Observation.focus", "reader": "Observation.performer"},
    "Visit": {"knee": "Encounter.subject", "seen_on": "Encounter.actualPeriod"},
    "Imaging": {
        "knee": "Observation.subject",
        "imaged_on": "Observation.effectiveDateTime",
        "modality": "Observation.method",
    },
    "ImagingFinding": {"imaging": "Observation.effectiveDateTime", "tear": "Observation.focus"},
    "SecondLook": {
        "knee": "Procedure.bodySite",
        "looked_on": "Procedure.occurrenceDateTime",
        "reason": "Procedure.reason",
    },
    "SecondLookFinding": {"look": "Observation.effectiveDateTime", "tear": "Observation.focus"},
    "Reoperation": {
        "knee": "Procedure.bodySite",
        "operated_on": "Procedure.occurrenceDateTime",
        "planned": "Procedure.category",
        "other_surgery": "Procedure.code.coding",
    },
    "ReoperationOnTear": {"reoperation": "Observation.effectiveDateTime", "tear": "Observation.focus"},
    "Complication": {
        "knee": "Condition.bodySite",
        "noticed_on": "Condition.onsetDateTime",
        "kind": "Condition.code",
        "severity": "Condition.severity",
        "found_by": "Condition.evidence",
        "resolved_on": "Condition.abatementDateTime, Condition.clinicalStatus",
    },
    "Contact": {
        "knee": "Encounter.subject",
        "contacted_on": "Encounter.actualPeriod",
        "source": "Encounter.type",
    },
    "EndOfFollowUp": {"patient": "Observation.subject", "ended_on": "Observation.effectiveDateTime"},
    "PatientReport": {
        "knee": "Observation.subject",
        "answered_on": "Observation.effectiveDateTime",
        "where_sealed": _WORDS,
        "when_sealed": _WORDS,
        "what_sealed": _WORDS,
        "signs_seen_to": _KEPT_HERE,
        "reoperation": "extension confirmed-by",
        "operation": "extension confirmed-by",
        "no_reoperation_because": "not carried: free text",
    },
    "ScoreResponse": {
        "knee": "QuestionnaireResponse.subject",
        "answered_on": "QuestionnaireResponse.authored, Observation.effectiveDateTime",
        "instrument": "QuestionnaireResponse.questionnaire",
        "instrument_version": "QuestionnaireResponse.questionnaire",
        "items": "QuestionnaireResponse.item",
        "scale_values": "Observation.valueQuantity",
        "way": "QuestionnaireResponse, extension way",
        "reoperated_since": "QuestionnaireResponse, extension reoperated-since",
    },
}


@dataclass(frozen=True, slots=True)
class Carried:
    """One field of the record and the element it becomes, or why it becomes none."""

    model: str
    field: str
    element: str


def mapping() -> Iterator[Carried]:
    """Every column of every model of the record, in the order of the models.

    Raises
    ------
    KeyError
        A field that nobody has decided about.
    """
    for model in kept_models():
        for field in (each.name for each in model._meta.concrete_fields):
            yield Carried(model.__name__, field, _element(model.__name__, field))


def _element(model: str, field: str) -> str:
    if model in NOT_CARRIED:
        return NOT_CARRIED[model]
    if field in fields_of(model):
        unit = {**OBSERVED.get(model, {}), **GROUPED.get(model, {})}[field]
        place = "Observation.value" if model in OBSERVED else "Observation.component.value"
        return f"{place}, {unit}" if unit else place
    if (said := _TARGETS[model].get(field)) is not None:
        return said
    return _OF_EVERY_ROW[field]
