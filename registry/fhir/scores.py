"""A form answered: its raw items as a QuestionnaireResponse, and an Observation for each scale scored.

Items go by code and our own label; the wording is the licence holder's and is not carried.
"""

from collections.abc import Iterator
from uuid import UUID

from registry.fhir.datatypes import OWN, Json, choice_concept, concept, derived, quantity, reference
from registry.fhir.observed import About, observation
from registry.models import ScoreResponse
from registry.scoring import INSTRUMENTS


def score_resources(response: ScoreResponse) -> Iterator[Json]:
    """The answers first, then what was worked out from them."""
    patient = response.knee.patient.uuid
    yield _answers(response, patient)
    instrument = INSTRUMENTS[response.instrument]
    about = About(patient, response.answered_on.isoformat())
    for score in response.scores:
        if score.value is None:
            continue
        system = f"scale:{instrument.code}"
        yield observation(
            derived(response.uuid, score.scale.code),
            concept(system, score.scale.code, f"{instrument.name}, {score.scale.name}"),
            about,
            valueQuantity=quantity(score.value, "{score}"),
            derivedFrom=[reference(response.uuid)],
        )


def _answers(response: ScoreResponse, patient: UUID) -> Json:
    instrument = INSTRUMENTS[response.instrument]
    return {
        "resourceType": "QuestionnaireResponse",
        "id": str(response.uuid),
        "extension": [
            {"url": f"{OWN}:extension:way", "valueCodeableConcept": choice_concept(response, "way")},
            {
                "url": f"{OWN}:extension:reoperated-since",
                "valueCodeableConcept": choice_concept(response, "reoperated_since"),
            },
        ],
        "questionnaire": f"{OWN}:instrument:{instrument.code}|{response.instrument_version}",
        "status": "completed",
        "subject": reference(patient),
        "authored": response.answered_on.isoformat(),
        "item": [
            {
                "linkId": item.code,
                "text": item.label,
                "answer": [{"valueInteger": response.items[item.code]}],
            }
            for item in instrument.items
            if item.code in response.items
        ],
    }
