"""What became of a knee, as Encounters, Procedures, Conditions and Observations."""

from collections.abc import Callable, Iterator, Mapping
from typing import Any
from uuid import UUID

from registry.fhir.datatypes import (
    ACT_CODE,
    CONDITION_STATUS,
    OWN,
    Json,
    choice_concept,
    concept,
    derived,
    of_hl7,
    reference,
)
from registry.fhir.observed import About, grouped, observation, observations
from registry.fhir.operation import encounter, knee_site
from registry.fhir.scores import score_resources
from registry.models import (
    Complication,
    Contact,
    EndOfFollowUp,
    Imaging,
    Knee,
    PatientReport,
    Reoperation,
    SecondLook,
    Visit,
)

AMBULATORY, VIRTUAL = of_hl7(ACT_CODE, "AMB"), of_hl7(ACT_CODE, "VR")


def end_resources(end: EndOfFollowUp) -> Iterator[Json]:
    """Why and when a living patient is followed no longer."""
    yield grouped(end, end.uuid, About(end.patient.uuid, end.ended_on.isoformat()))


def _visit(visit: Visit) -> Iterator[Json]:
    patient, on = visit.knee.patient.uuid, visit.seen_on.isoformat()
    yield encounter(visit.uuid, patient, on, kind=AMBULATORY)
    yield from observations(visit, visit.uuid, About(patient, on, visit.uuid))


def _imaging(imaging: Imaging) -> Iterator[Json]:
    patient, on = imaging.knee.patient.uuid, imaging.imaged_on.isoformat()
    code = concept("row", "Imaging", "Imaging of the knee")
    yield observation(
        imaging.uuid,
        code,
        About(patient, on),
        method=choice_concept(imaging, "modality"),
        valueString=str(imaging.get_modality_display()),
    )
    for finding in imaging.findings.all():
        tear = finding.tear.uuid
        yield from observations(finding, derived(imaging.uuid, str(tear)), About(patient, on, None, tear))


def _look(look: SecondLook) -> Iterator[Json]:
    knee = look.knee
    patient, on = knee.patient.uuid, look.looked_on.isoformat()
    procedure = _later_procedure(look.uuid, knee, on, concept("procedure", "second_look", "Second look"))
    yield procedure | {"reason": [{"concept": choice_concept(look, "reason")}]}
    for finding in look.findings.all():
        tear = finding.tear.uuid
        yield from observations(finding, derived(look.uuid, str(tear)), About(patient, on, None, tear))


def _reoperation(reoperation: Reoperation) -> Iterator[Json]:
    knee = reoperation.knee
    patient, on = knee.patient.uuid, reoperation.operated_on.isoformat()
    code = concept("procedure", "reoperation", "Reoperation")
    code["coding"] += choice_concept(reoperation, "other_surgery")["coding"]
    planned = concept("planned", *(("yes", "Planned") if reoperation.planned else ("no", "Not planned")))
    yield _later_procedure(reoperation.uuid, knee, on, code) | {"category": [planned]}
    for row in reoperation.on_tears.all():
        tear = row.tear.uuid
        yield from observations(row, derived(reoperation.uuid, str(tear)), About(patient, on, None, tear))


def _later_procedure(key: UUID, knee: Knee, on: str, code: Json) -> Json:
    return {
        "resourceType": "Procedure",
        "id": str(key),
        "status": "completed",
        "code": code,
        "subject": reference(knee.patient.uuid),
        "occurrenceDateTime": on,
        "bodySite": [knee_site(knee)],
    }


def _complication(complication: Complication) -> Iterator[Json]:
    knee = complication.knee
    said: Json = {
        "resourceType": "Condition",
        "id": str(complication.uuid),
        "clinicalStatus": of_hl7(CONDITION_STATUS, "resolved" if complication.resolved_on else "active"),
        "category": [concept("row", "Complication", "Complication")],
        "severity": choice_concept(complication, "severity"),
        "code": choice_concept(complication, "kind"),
        "bodySite": [knee_site(knee)],
        "subject": reference(knee.patient.uuid),
        "onsetDateTime": complication.noticed_on.isoformat(),
        "evidence": [{"concept": choice_concept(complication, "found_by")}],
    }
    resolved = complication.resolved_on
    yield said | ({"abatementDateTime": resolved.isoformat()} if resolved else {})


def _contact(contact: Contact) -> Iterator[Json]:
    patient = contact.knee.patient.uuid
    said = encounter(contact.uuid, patient, contact.contacted_on.isoformat(), kind=VIRTUAL)
    yield said | {"type": [choice_concept(contact, "source")]}


def _report(report: PatientReport) -> Iterator[Json]:
    patient = report.knee.patient.uuid
    said = grouped(report, report.uuid, About(patient, report.answered_on.isoformat()))
    if confirmed := report.confirmed_by:
        said["extension"] = [
            {"url": f"{OWN}:extension:confirmed-by", "valueReference": reference(confirmed.uuid)}
        ]
    yield said | {"performer": [reference(patient)]}


# What a knee's entries of one kind are made into, by the name of their relation.
FOLLOW_UP: Mapping[str, Callable[[Any], Iterator[Json]]] = {
    "visits": _visit,
    "imaging": _imaging,
    "looks": _look,
    "reoperations": _reoperation,
    "complications": _complication,
    "contacts": _contact,
    "reports": _report,
    "scores": score_resources,
}
