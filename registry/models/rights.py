"""What is kept for the patient's own rights: who looked, and what was erased."""

import uuid
from typing import ClassVar

from django.db import models
from django.utils import timezone

from registry.models.limits import choice_checks
from registry.models.people import Patient, Unit, User


class OpeningKind(models.TextChoices):
    """What of a patient was opened. The identity, which asks why, is an `IdentityView`."""

    STORY = "story", "Knee story"
    FILE = "file", "Patient's file"
    FHIR = "fhir", "FHIR file"
    PROGRAM = "program", "By a program (API)"


class Opening(models.Model):
    """Who opened what of a patient on a day; one row a person, patient, kind and day."""

    patient = models.ForeignKey(Patient, on_delete=models.CASCADE, related_name="openings")
    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=10, choices=OpeningKind)
    day = models.DateField()
    first_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering: ClassVar = ["-first_at", "-pk"]
        constraints: ClassVar = [
            *choice_checks("opening", kind=OpeningKind),
            models.UniqueConstraint(fields=["patient", "user", "kind", "day"], name="opening_once_a_day"),
        ]

    def __str__(self) -> str:
        return f"{self.user} opened {self.get_kind_display()} of {self.patient} on {self.day}"


class Erasure(models.Model):
    """One erasure that a patient asked for: what went, what stays without a name. Names nobody."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="erasures")
    # The record's own key of the patient, by which old packages are still recognised.
    patient_uuid = models.UUIDField(unique=True)
    asked_on = models.DateField()
    erased_at = models.DateTimeField(default=timezone.now)
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=200)
    # Whether repairs and outcomes stay, without identity; else the patient's whole record went.
    keeps_outcome = models.BooleanField()
    # Rows removed and rows blanked, by table.
    rows: "models.JSONField[dict[str, int], dict[str, int]]" = models.JSONField(default=dict)
    # While true, and only within the transaction that erases, the database lets rows of the record go.
    in_hand = models.BooleanField(default=True)

    class Meta:
        ordering: ClassVar = ["-erased_at", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~models.Q(reason=""), name="erasure_has_reason")
        ]

    def __str__(self) -> str:
        return f"erasure of patient {str(self.patient_uuid)[:8]}"
