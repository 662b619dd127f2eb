"""Units, surgeons, patients and knees; and the sealed identities kept apart from all of them."""

import uuid
from datetime import date
from typing import Any, ClassVar

from django.contrib.auth.models import AbstractUser
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Max, Q

from registry import sealing
from registry.models.keeping import STANDING, Kept
from registry.models.limits import between, choice_checks, not_in_future, range_check, told
from registry.rules.acuity import whole_years
from registry.rules.healing import FAILED_CLEFT_FROM_PERCENT, HEALED_CLEFT_BELOW_PERCENT
from registry.rules.indications import USUAL_VARUS_LIMIT_DEG
from registry.rules.schedule import ASKED_AT_A_REVIEW, PlannedReview
from registry.scoring import INSTRUMENTS
from registry.vocabulary import Grade, Language, Reminding, ResearchPermission, Sex, Side, TimePoint


class User(AbstractUser):
    """A person who signs in. What they may see comes from their memberships alone."""

    @property
    def shown_name(self) -> str:
        """What others read of the person: the full name, or where there is none the name to sign in with."""
        return self.get_full_name() or self.username


class Unit(Kept):
    """A department that records repairs and answers for them."""

    HOLDS_ENTRIES = True
    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=40, default="UTC")
    smallest_count_shown = models.PositiveSmallIntegerField(
        default=5, validators=between(1, 50, "Smallest count")
    )
    late_entry_after_days = models.PositiveSmallIntegerField(default=90, validators=between(0, 3650, "Limit"))
    lead_sees_surgeon_results = models.BooleanField(
        "the audit lead sees results of single surgeons", default=False
    )
    hka_limit_deg = models.DecimalField(
        "usual limit of varus (deg)",
        max_digits=3,
        decimal_places=1,
        default=USUAL_VARUS_LIMIT_DEG,
        validators=between(0, 15, "Limit of varus"),
    )
    healed_cleft_below_percent = models.PositiveSmallIntegerField(
        "healed: cleft below (% of thickness)",
        default=HEALED_CLEFT_BELOW_PERCENT,
        validators=between(1, 99, "Limit"),
    )
    failed_cleft_from_percent = models.PositiveSmallIntegerField(
        "not healed: cleft from (% of thickness)",
        default=FAILED_CLEFT_FROM_PERCENT,
        validators=between(1, 100, "Limit"),
    )

    ligament_restarts_reviews = models.BooleanField(
        "planned reviews run anew from a staged ligament operation", default=False
    )

    class Meta:
        ordering: ClassVar = ["code"]
        constraints: ClassVar = [
            range_check("unit", "smallest_count_shown", 1, 50),
            range_check("unit", "late_entry_after_days", 0, 3650),
            range_check("unit", "hka_limit_deg", 0, 15),
            range_check("unit", "healed_cleft_below_percent", 1, 99),
            range_check("unit", "failed_cleft_from_percent", 1, 100),
            models.CheckConstraint(
                condition=Q(healed_cleft_below_percent__lte=F("failed_cleft_from_percent")),
                name="unit_cleft_limits_in_order",
                violation_error_message=(
                    "A cleft counts as healed below one limit and as not healed from another: the first "
                    "cannot be the larger. Correct one of them."
                ),
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def own_plan(self) -> list[PlannedReview]:
        """Its own follow-up plan, in order; empty when it follows the default."""
        rows = self.plan.order_by("due_day")
        return [
            PlannedReview(row.time_point, row.due_day, row.window_days, tuple(row.instruments))
            for row in rows
        ]


class Surgeon(Kept):
    """A surgeon as the record knows them: by code to others, by name within their own units."""

    HOLDS_ENTRIES = True
    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=120)
    user = models.OneToOneField(User, on_delete=models.PROTECT, null=True, blank=True)
    units = models.ManyToManyField(Unit, related_name="surgeons")
    independent_since = models.DateField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["code"]

    def __str__(self) -> str:
        return self.name


def default_instruments() -> list[str]:
    """What a review asks unless its unit chose otherwise."""
    return list(ASKED_AT_A_REVIEW)


class PlannedTimePoint(Kept):
    """One review of a unit's own follow-up plan; a unit without any follows the default plan."""

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="plan")
    time_point = models.CharField(max_length=10, choices=TimePoint)
    due_day = models.PositiveSmallIntegerField(
        "due (days after the operation)", validators=between(1, 7305, "Day")
    )
    window_days = models.PositiveSmallIntegerField(
        "window each way (days)", validators=between(0, 366, "Window")
    )
    # Codes of the instruments that the patient is asked to answer, in order.
    instruments: "models.JSONField[list[str], Any]" = models.JSONField(
        default=default_instruments, blank=True
    )
    PART_OF = ("unit",)

    class Meta:
        ordering: ClassVar = ["unit", "due_day"]
        constraints: ClassVar = [
            *choice_checks("planned", time_point=TimePoint),
            range_check("planned", "due_day", 1, 7305),
            range_check("planned", "window_days", 0, 366),
            models.UniqueConstraint(
                fields=["unit", "time_point"],
                condition=STANDING,
                name="planned_once_a_unit",
                violation_error_message="This time point is in the plan already. Change that one.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_time_point_display()} of {self.unit}"

    def clean(self) -> None:
        """Only instruments that the site knows, each once."""
        unknown = [code for code in self.instruments if code not in INSTRUMENTS]
        if unknown or len(set(self.instruments)) < len(self.instruments):
            raise ValidationError(
                {
                    "instruments": f"'{', '.join(self.instruments)}' is no list of different instruments. "
                    f"Choose from: {', '.join(INSTRUMENTS)}."
                }
            )


class GradePeriod(Kept):
    """From when a surgeon held a grade, until the next one."""

    surgeon = models.ForeignKey(Surgeon, on_delete=models.PROTECT, related_name="grades")
    grade = models.CharField(max_length=10, choices=Grade)
    since = models.DateField(validators=[not_in_future])
    PART_OF = ("surgeon",)

    class Meta:
        ordering: ClassVar = ["surgeon", "since"]
        constraints: ClassVar = [
            *choice_checks("grade", grade=Grade),
            models.UniqueConstraint(
                fields=["surgeon", "since"],
                condition=STANDING,
                name="grade_once_a_day",
                violation_error_message="A grade from that day is on record. Change that one.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_grade_display()} since {told(self.since)}"


# Dates, from a knee, on which its patient was alive.
SIGNS_OF_LIFE = {
    "procedures": "operated_on",
    "visits": "seen_on",
    "imaging": "imaged_on",
    "looks": "looked_on",
    "reoperations": "operated_on",
    "complications": "noticed_on",
    "contacts": "contacted_on",
    "scores": "answered_on",
    "reports": "answered_on",
}
# What a unit did about planned reviews: of a knee too, but no sign of life.
ABOUT_REVIEWS = {"given_up_reviews": "given_up_on", "booked_visits": "booked_for"}


class Patient(Kept):
    """A person treated, without anything that names them."""

    HOLDS_ENTRIES = True
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
    language = models.CharField(
        "language of letters", max_length=2, choices=Language, default=Language.ENGLISH
    )
    reminders = models.CharField("reminders by", max_length=5, choices=Reminding, default=Reminding.EMAIL)

    class Meta:
        constraints: ClassVar = [
            *choice_checks("patient", sex=Sex, research_permission=ResearchPermission),
            *choice_checks("patient", language=Language, reminders=Reminding),
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
                    "died_on": f"{told(self.died_on)} lies before the last day the patient was seen alive, "
                    f"{told(alive_on)}. Correct it."
                }
            )

    def age_on(self, day: date) -> int:
        """Age in completed years."""
        return whole_years(self.born_on, day)

    def last_alive(self) -> date | None:
        """The latest day on which the record knows the patient alive."""
        days = (
            self.knees.filter(**{f"{rows}__withdrawn_at__isnull": True}).aggregate(day=Max(f"{rows}__{day}"))[
                "day"
            ]
            for rows, day in SIGNS_OF_LIFE.items()
        )
        return max((day for day in days if day), default=None)


class Knee(Kept):
    """One side of one patient: what is operated on, followed and told as one story."""

    HOLDS_ENTRIES = True
    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="knees")
    side = models.CharField(max_length=5, choices=Side)
    PART_OF = ("patient",)

    class Meta:
        constraints: ClassVar = [
            *choice_checks("knee", side=Side),
            models.UniqueConstraint(
                fields=["patient", "side"], condition=STANDING, name="knee_once_per_side"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_side_display().lower()} knee of {self.patient}"


class Identity(Kept):
    """Who a patient is. Every value is sealed at rest; look-up goes through a keyed blind index."""

    patient = models.OneToOneField(Patient, on_delete=models.PROTECT, related_name="identity")
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="+")
    hospital_number_index = models.CharField(max_length=64)
    hospital_number_sealed = models.TextField()
    given_names_sealed = models.TextField(blank=True)
    family_name_sealed = models.TextField(blank=True)
    email_sealed = models.TextField(blank=True)
    phone_sealed = models.TextField(blank=True)

    PART_OF = ("patient",)
    FIELDS: ClassVar = ("hospital_number", "given_names", "family_name", "email", "phone")

    class Meta:
        verbose_name_plural = "identities"
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["unit", "hospital_number_index"],
                condition=STANDING,
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
