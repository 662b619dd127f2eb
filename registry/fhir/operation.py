"""An index operation: its Encounter, a Condition for each tear, Procedures, Devices and what was observed."""

from collections.abc import Iterator
from uuid import UUID

from registry.fhir.datatypes import (
    CONDITION_STATUS,
    GS1_ISSUER,
    OWN,
    Json,
    choice_concept,
    concept,
    day,
    derived,
    known_as,
    of_hl7,
    reference,
)
from registry.fhir.observed import About, grouped, observations
from registry.models import Implant, IndexProcedure, Knee, Repair, Surgeon, Tear
from registry.models.procedures import OTHER_PROCEDURES


def operation_resources(procedure: IndexProcedure) -> Iterator[Json]:
    """Everything of one operation, each resource after those it refers to but the patient."""
    patient, on = procedure.knee.patient.uuid, procedure.operated_on.isoformat()
    visit = derived(procedure.uuid, "encounter")
    about = About(patient, on, visit, procedure.uuid)
    yield encounter(visit, patient, on, known_as("unit", procedure.unit.code))
    devices = {
        implant: derived(procedure.uuid, f"device {implant.pk}") for implant in procedure.implants.all()
    }
    yield from (_device(implant, key) for implant, key in devices.items())
    yield _procedure(procedure, visit, devices)
    yield from observations(procedure, procedure.uuid, about)
    for row in procedure.rehabilitation.all():
        yield grouped(row, derived(procedure.uuid, f"rehabilitation {row.course}"), about)
    for tear in procedure.tears.all():
        yield from _tear_resources(tear, procedure, visit)


def encounter(
    key: UUID, patient: UUID, on: str, provider: Json | None = None, kind: Json | None = None
) -> Json:
    """A completed Encounter of one day."""
    said: Json = {
        "resourceType": "Encounter",
        "id": str(key),
        "status": "completed",
        "subject": reference(patient),
        "actualPeriod": {"start": on, "end": on},
    }
    if provider:
        said["serviceProvider"] = provider
    return said | ({"class": [kind]} if kind else {})


def knee_site(knee: Knee) -> Json:
    """The knee by its side."""
    return concept("Knee.side", knee.side, f"{knee.get_side_display()} knee")


def meniscus_site(tear: Tear) -> Json:
    """The meniscus of a tear, with the side of its knee."""
    knee = tear.procedure.knee
    words = f"{tear.get_meniscus_display()} meniscus, {knee.get_side_display().lower()} knee"
    return concept("site", f"{knee.side}_{tear.meniscus}_meniscus", words)


def _procedure(procedure: IndexProcedure, visit: UUID, devices: dict[Implant, UUID]) -> Json:
    beside = [code for code in OTHER_PROCEDURES if getattr(procedure, code)]
    code = concept("procedure", "operation_on_meniscus", "Operation on a meniscus")
    code["coding"] += [
        {"system": f"{OWN}:procedure", "code": each, "display": OTHER_PROCEDURES[each]} for each in beside
    ]
    said: Json = {
        "resourceType": "Procedure",
        "id": str(procedure.uuid),
        "status": "completed",
        "code": code,
        "subject": reference(procedure.knee.patient.uuid),
        "encounter": reference(visit),
        "occurrenceDateTime": procedure.operated_on.isoformat(),
        "performer": list(_performers(procedure)),
        "bodySite": [knee_site(procedure.knee)],
    }
    used = [
        {"manipulated": reference(key), "extension": [_count(implant.count)]}
        for implant, key in devices.items()
    ]
    return said | ({"focalDevice": used} if used else {})


def _count(number: int) -> Json:
    return {"url": f"{OWN}:extension:implants-used", "valuePositiveInt": number}


def _performers(procedure: IndexProcedure) -> Iterator[Json]:
    roles: tuple[tuple[str, str, Surgeon | None], ...] = (
        ("lead_surgeon", "Lead surgeon", procedure.lead_surgeon),
        ("first_assistant", "First assistant", procedure.first_assistant),
        ("repaired_by", "Repaired", procedure.repaired_by),
    )
    for code, words, surgeon in roles:
        if surgeon:
            yield {"function": concept("team", code, words), "actor": known_as("surgeon", surgeon.code)}


def _device(implant: Implant, key: UUID) -> Json:
    said: Json = {
        "resourceType": "Device",
        "id": str(key),
        "udiCarrier": [{"deviceIdentifier": implant.device_identifier, "issuer": GS1_ISSUER}],
    }
    if implant.lot:
        said["lotNumber"] = implant.lot
    if implant.serial:
        said["serialNumber"] = implant.serial
    return said | ({"expirationDate": implant.expires_on.isoformat()} if implant.expires_on else {})


def _tear_resources(tear: Tear, procedure: IndexProcedure, visit: UUID) -> Iterator[Json]:
    about = About(procedure.knee.patient.uuid, procedure.operated_on.isoformat(), visit, tear.uuid)
    yield _condition(tear, procedure, visit)
    yield from observations(tear, tear.uuid, about)
    if repair := tear.standing_repair:
        key = derived(tear.uuid, "repair")
        of_repair = About(about.patient, about.on, visit, key)
        yield _repair(repair, key, procedure, visit)
        yield from observations(repair, key, of_repair)
        for row in repair.passes.all():
            yield grouped(row, derived(key, f"passes {row.pk}"), of_repair)
    for reading in tear.readings.all():
        read = grouped(
            reading, reading.uuid, About(about.patient, day(reading.recorded_at.date()), None, tear.uuid)
        )
        yield read | {"performer": [known_as("surgeon", reading.reader.code)]}


def _condition(tear: Tear, procedure: IndexProcedure, visit: UUID) -> Json:
    said: Json = {
        "resourceType": "Condition",
        "id": str(tear.uuid),
        "clinicalStatus": of_hl7(CONDITION_STATUS, "recurrence" if tear.is_revision else "active"),
        "code": choice_concept(tear, "pattern"),
        "bodySite": [meniscus_site(tear)],
        "subject": reference(procedure.knee.patient.uuid),
        "encounter": reference(visit),
        "recordedDate": procedure.operated_on.isoformat(),
    }
    if tear.revises:
        said["extension"] = [
            {"url": f"{OWN}:extension:return-of", "valueReference": reference(tear.revises.uuid)}
        ]
    if procedure.injured_on:
        said["onsetDateTime"] = day(procedure.injured_on, procedure.injury_date_precision)
    return said


def _repair(repair: Repair, key: UUID, procedure: IndexProcedure, visit: UUID) -> Json:
    techniques = [
        {"system": f"{OWN}:technique", "code": each.value, "display": str(each.label)}
        for each in repair.techniques
    ]
    return {
        "resourceType": "Procedure",
        "id": str(key),
        "status": "completed",
        "partOf": [reference(procedure.uuid)],
        "code": {"coding": techniques, "text": "Meniscal repair"},
        "subject": reference(procedure.knee.patient.uuid),
        "encounter": reference(visit),
        "occurrenceDateTime": procedure.operated_on.isoformat(),
        "reason": [{"reference": reference(repair.tear.uuid)}],
        "bodySite": [meniscus_site(repair.tear)],
    }
