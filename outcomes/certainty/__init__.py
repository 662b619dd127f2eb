"""How sure the record is: second readers beside operating surgeons, clinic and imaging beside the look."""

from outcomes.certainty.healing import HealingAgreement, LookedAt, clinic_and_look, imaging_and_look
from outcomes.certainty.reading import FieldAgreement, readers

__all__ = [
    "FieldAgreement",
    "HealingAgreement",
    "LookedAt",
    "clinic_and_look",
    "imaging_and_look",
    "readers",
]
