"""Patient: sex, birth as exactly as known, death. Nothing that names anybody."""

from registry.fhir.datatypes import Json, known_as
from registry.models import Patient
from registry.vocabulary import Sex

# FHIR's administrative gender has the same three words.
_GENDER = {Sex.FEMALE: "female", Sex.MALE: "male", Sex.OTHER: "other"}


def patient_resource(patient: Patient) -> Json:
    """The Patient of a record."""
    born = patient.born_on.isoformat() if patient.born_on_is_exact else str(patient.born_on.year)
    said: Json = {
        "resourceType": "Patient",
        "id": str(patient.uuid),
        "gender": _GENDER[Sex(patient.sex)],
        "birthDate": born,
        "managingOrganization": known_as("unit", patient.unit.code),
    }
    return said | ({"deceasedDateTime": patient.died_on.isoformat()} if patient.died_on else {})
