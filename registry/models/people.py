"""Units, surgeons, patients and knees; and the sealed identities kept apart from all of them."""

import uuid
from datetime import date
from typing import ClassVar

from django.contrib.auth.models import AbstractUser
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Max, Q

from registry import sealing
from registry.models.limits import between, choice_checks, not_in_future, range_check
from registry.rules.acuity import whole_years
from registry.vocabulary import ResearchPermission, Sex, Side


class User(AbstractUser):
    """A person who signs in. What they may see comes from their memberships alone."""


class Unit(models.Model):
    """A department that records repairs and answers for them."""

    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=40, default="UTC")
    smallest_count_shown = models.PositiveSmallIntegerField(
        default=5, validators=between(1, 50, "Smallest count")
    )
    late_entry_after_days = models.PositiveSmallIntegerField(default=90, validators=between(0, 3650, "Limit"))
    lead_sees_surgeon_results = models.BooleanField(default=False)

    class Meta:
        ordering: ClassVar = ["code"]
        constraints: ClassVar = [
            range_check("unit", "smallest_count_shown", 1, 50),
            range_check("unit", "late_entry_after_days", 0, 3650),
        ]

    def __str__(self) -> str:
        return self.name


class Surgeon(models.Model):
    """A surgeon as the record knows them: by code to others, by name within their own units."""

    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=120)
    user = models.OneToOneField(User, on_delete=models.PROTECT, null=True, blank=True)
    units = models.ManyToManyField(Unit, related_name="surgeons")
    independent_since = models.DateField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["code"]

    def __str__(self) -> str:
        return self.name


# Dates, from a knee, on which its patient was alive.
SIGNS_OF_LIFE = (
    "procedures__operated_on",
    "visits__seen_on",
    "imaging__imaged_on",
    "looks__looked_on",
    "reoperations__operated_on",
    "complications__noticed_on",
    "contacts__contacted_on",
    "scores__answered_on",
)


class Patient(models.Model):
    """A person treated, without anything that names them."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="patients")
    sex = models.CharField(max_length=10, choices=Sex)
    born_on = models.DateField(
        "date of birth",
        validators=[not_in_future],
        help_text="If only the year is known, enter 1 July of it and say so below.",
    )
    born_on_is_exact = models.BooleanField("date of birth known to the day", default=True)
    died_on = models.DateField("date of death", null=True, blank=True, validators=[not_in_future])
    research_permission = models.CharField(
        max_length=12, choices=ResearchPermission, default=ResearchPermission.NOT_ASKED
    )
    research_permission_on = models.DateField(null=True, blank=True, validators=[not_in_future])

    class Meta:
        constraints: ClassVar = [
            *choice_checks("patient", sex=Sex, research_permission=ResearchPermission),
            models.CheckConstraint(
                condition=Q(died_on__isnull=True) | Q(died_on__gte=F("born_on")),
                name="patient_died_after_birth",
                violation_error_message=(
                    "The date of death lies before the date of birth. Correct the date of death."
                ),
            ),
            models.CheckConstraint(
                condition=Q(research_permission=ResearchPermission.NOT_ASKED)
                | Q(research_permission_on__isnull=False),
                name="patient_permission_dated",
                violation_error_message=(
                    "A research permission that was asked for needs its date. Enter the date."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"patient {str(self.uuid)[:8]}"

    def clean(self) -> None:
        """Nobody dies before the last day on which the record knows them alive."""
        alive_on = self.last_alive() if self.died_on and self.pk else None
        if self.died_on and alive_on and self.died_on < alive_on:
            raise ValidationError(
                {
                    "died_on": f"{self.died_on} lies before the last day the patient was seen alive, "
                    f"{alive_on}. Correct it."
                }
            )

    def age_on(self, day: date) -> int:
        """Age in completed years."""
        return whole_years(self.born_on, day)

    def last_alive(self) -> date | None:
        """The latest day on which the record knows the patient alive."""
        days = (self.knees.aggregate(day=Max(path))["day"] for path in SIGNS_OF_LIFE)
        return max((day for day in days if day), default=None)


class Knee(models.Model):
    """One side of one patient: what is operated on, followed and told as one story."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="knees")
    side = models.CharField(max_length=5, choices=Side)

    class Meta:
        constraints: ClassVar = [
            *choice_checks("knee", side=Side),
            models.UniqueConstraint(fields=["patient", "side"], name="knee_once_per_side"),
        ]

    def __str__(self) -> str:
        return f"{self.get_side_display().lower()} knee of {self.patient}"


class Identity(models.Model):
    """Who a patient is. Every value is sealed at rest; look-up goes through a keyed blind index."""

    patient = models.OneToOneField(Patient, on_delete=models.PROTECT, related_name="identity")
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="+")
    hospital_number_index = models.CharField(max_length=64)
    hospital_number_sealed = models.TextField()
    given_names_sealed = models.TextField(blank=True)
    family_name_sealed = models.TextField(blank=True)
    email_sealed = models.TextField(blank=True)
    phone_sealed = models.TextField(blank=True)

    FIELDS: ClassVar = ("hospital_number", "given_names", "family_name", "email", "phone")

    class Meta:
        verbose_name_plural = "identities"
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["unit", "hospital_number_index"],
                name="identity_once_per_unit",
                violation_error_message="This hospital number is already in the unit's record.",
            )
        ]

    def __str__(self) -> str:
        return f"identity of {self.patient}"

    @classmethod
    def sealed(cls, patient: Patient, **plain: str) -> "Identity":
        """An unsaved identity whose plain values (keys as FIELDS) are sealed and indexed."""
        values = {f"{name}_sealed": sealing.seal(plain.get(name, "")) for name in cls.FIELDS}
        index = sealing.blind_index(patient.unit_id, plain["hospital_number"])
        return cls(patient=patient, unit=patient.unit, hospital_number_index=index, **values)

    def opened(self) -> dict[str, str]:
        """The plain values by field name. The caller must have logged an IdentityView first."""
        return {name: sealing.unseal(getattr(self, f"{name}_sealed")) for name in self.FIELDS}
