"""A patient found by hospital number for one unit, through the blind index: no number is kept or told."""

from registry.models import Identity, IndexProcedure, Patient, Unit
from registry.sealing import blind_index


def patient_of_number(unit: Unit, number: str) -> Patient | None:
    """The unit's own patient of that number, else the only one of another unit who was operated on here."""
    own = Identity.objects.filter(unit=unit, hospital_number_index=blind_index(unit.pk, number))
    if identity := own.select_related("patient__unit").first():
        return identity.patient
    here = IndexProcedure.ever.filter(unit=unit).values("knee__patient")
    others = Unit.objects.filter(patients__in=here).exclude(pk=unit.pk).distinct()
    indices = [blind_index(other.pk, number) for other in others]
    found = Identity.objects.filter(patient__in=here, hospital_number_index__in=indices)
    identities = list(found.select_related("patient__unit")[:2])
    return identities[0].patient if len(identities) == 1 else None
