"""The index procedure: the operation in which a tear was repaired, and the knee it was done in."""

import uuid
from typing import ClassVar

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from registry.models.limits import between, choice_checks, not_in_future, range_check
from registry.models.people import Knee, Surgeon, Unit
from registry.rules.acuity import AcuityCode, acuity
from registry.rules.indications import PREREQUISITES, IndicationVerdict, indication_verdict
from registry.rules.staging import LigamentSurgeryCode, ligament_surgery
from registry.vocabulary import (
    Anaesthetic,
    Answer,
    DatePrecision,
    InjuryCause,
    LigamentState,
    PosteromedialLook,
    Smoking,
    Staging,
    Supervision,
)

LIGAMENTS = ("acl", "pcl", "mcl", "lcl", "posterolateral", "anterolateral")


def _code(choices: type[models.TextChoices], **options: object) -> "models.CharField[str, str]":
    return models.CharField(max_length=24, choices=choices, **options)  # type: ignore[arg-type]


def _ligament(label: str) -> "models.CharField[str, str]":
    return _code(LigamentState, default=LigamentState.INTACT, verbose_name=label)


def _prerequisite(label: str) -> "models.CharField[str, str]":
    return _code(Answer, default=Answer.NOT_ASSESSED, verbose_name=label)


def _cartilage(label: str) -> "models.PositiveSmallIntegerField[int | None, int | None]":
    return models.PositiveSmallIntegerField(
        label, null=True, blank=True, validators=between(0, 4, "ICRS grade")
    )


class IndexProcedure(models.Model):
    """One operation on one knee in which at least one tear was treated."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    recorded_at = models.DateTimeField(default=timezone.now, editable=False, db_index=True)
    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="procedures")
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="procedures")
    operated_on = models.DateField("date of operation", validators=[not_in_future])
    lead_surgeon = models.ForeignKey(Surgeon, on_delete=models.PROTECT, related_name="led")
    first_assistant = models.ForeignKey(
        Surgeon, on_delete=models.PROTECT, null=True, blank=True, related_name="assisted"
    )
    repaired_by = models.ForeignKey(
        Surgeon,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="repaired",
        help_text="Leave empty when the lead surgeon repaired.",
    )
    supervision = _code(Supervision, default=Supervision.INDEPENDENT)

    injured_on = models.DateField("date of injury", null=True, blank=True, validators=[not_in_future])
    injury_date_precision = _code(DatePrecision, default=DatePrecision.DAY)
    injury_cause = _code(InjuryCause, blank=True)
    bmi = models.DecimalField(
        "BMI", max_digits=4, decimal_places=1, null=True, blank=True, validators=between(10, 80, "BMI")
    )
    smoking = _code(Smoking, blank=True)
    asa = models.PositiveSmallIntegerField(
        "ASA class", null=True, blank=True, validators=between(1, 4, "ASA class")
    )
    preinjury_tegner = models.PositiveSmallIntegerField(
        "Tegner before injury", null=True, blank=True, validators=between(0, 10, "Tegner level")
    )
    anaesthetic = _code(Anaesthetic, blank=True)
    tourniquet_min = models.PositiveSmallIntegerField(
        "tourniquet (min)", null=True, blank=True, validators=between(0, 240, "Tourniquet time")
    )

    vascular_zone_met = _prerequisite("tear in a vascular zone")
    unstable_on_probing = _prerequisite("unstable on probing")
    body_intact = _prerequisite("meniscal body intact")
    knee_stable = _prerequisite("knee stable or stabilised in this operation")
    alignment_acceptable = _prerequisite("alignment acceptable")
    cartilage_acceptable = _prerequisite("cartilage acceptable")
    hka_deg = models.DecimalField(
        "hip-knee-ankle angle (deg, varus negative)",
        max_digits=3,
        decimal_places=1,
        null=True,
        blank=True,
        validators=between(-30, 30, "Hip-knee-ankle angle"),
    )
    cartilage_medial = _cartilage("cartilage medial (ICRS)")
    cartilage_lateral = _cartilage("cartilage lateral (ICRS)")
    cartilage_patellofemoral = _cartilage("cartilage patellofemoral (ICRS)")

    acl = _ligament("ACL")
    pcl = _ligament("PCL")
    mcl = _ligament("MCL")
    lcl = _ligament("LCL")
    posterolateral = _ligament("posterolateral corner")
    anterolateral = _ligament("anterolateral")
    posteromedial_look = _code(PosteromedialLook, blank=True)
    staging = _code(Staging, default=Staging.SINGLE)
    ligament_planned_on = models.DateField("ligament operation planned on", null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["-operated_on", "-pk"]
        indexes: ClassVar = [models.Index(fields=["unit", "operated_on"])]
        constraints: ClassVar = [
            *choice_checks("procedure", supervision=Supervision, injury_date_precision=DatePrecision),
            *choice_checks(
                "procedure", optional=False, staging=Staging, **dict.fromkeys(PREREQUISITES, Answer)
            ),
            *choice_checks("procedure", optional=False, **dict.fromkeys(LIGAMENTS, LigamentState)),
            *choice_checks("procedure", optional=True, injury_cause=InjuryCause, smoking=Smoking),
            *choice_checks(
                "procedure", optional=True, anaesthetic=Anaesthetic, posteromedial_look=PosteromedialLook
            ),
            range_check("procedure", "bmi", 10, 80),
            range_check("procedure", "asa", 1, 4),
            range_check("procedure", "preinjury_tegner", 0, 10),
            range_check("procedure", "tourniquet_min", 0, 240),
            range_check("procedure", "hka_deg", -30, 30),
            range_check("procedure", "cartilage_medial", 0, 4),
            range_check("procedure", "cartilage_lateral", 0, 4),
            range_check("procedure", "cartilage_patellofemoral", 0, 4),
            models.UniqueConstraint(
                fields=["knee", "operated_on"],
                name="procedure_once_a_day",
                violation_error_message=(
                    "An operation of that day on this knee is on record. Correct the date."
                ),
            ),
            models.CheckConstraint(
                condition=Q(injured_on__isnull=True) | Q(injured_on__lte=F("operated_on")),
                name="procedure_injured_before_operation",
                violation_error_message="The injury is dated after the operation. Correct one of the dates.",
            ),
            models.CheckConstraint(
                condition=Q(injured_on__isnull=True, injury_date_precision=DatePrecision.UNKNOWN)
                | Q(injured_on__isnull=False) & ~Q(injury_date_precision=DatePrecision.UNKNOWN),
                name="procedure_injury_date_or_unknown",
                violation_error_message=(
                    "Give the date of injury, or choose precision Unknown and leave the date empty."
                ),
            ),
            models.CheckConstraint(
                condition=Q(ligament_planned_on__isnull=True) | Q(staging=Staging.REPAIR_FIRST),
                name="procedure_plan_only_when_staged",
                violation_error_message=(
                    "A planned ligament date belongs to 'Repair now, ligament later'. Choose that staging, "
                    "or clear the date."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"operation of {self.operated_on} on the {self.knee}"

    def clean(self) -> None:
        if self.operated_on is None or self.knee_id is None:
            return
        patient = self.knee.patient
        if self.operated_on < patient.born_on:
            raise ValidationError(
                {"operated_on": f"{self.operated_on} lies before the patient's birth. Correct it."}
            )
        if patient.died_on and self.operated_on > patient.died_on:
            raise ValidationError(
                {"operated_on": f"{self.operated_on} lies after the patient's death. Correct it."}
            )

    @property
    def days_from_injury(self) -> int | None:
        """Days from injury to surgery, None when the date of injury is unknown."""
        return (self.operated_on - self.injured_on).days if self.injured_on else None

    @property
    def acuity(self) -> AcuityCode:
        return acuity(self.days_from_injury)

    @property
    def age_at_operation(self) -> int:
        return self.knee.patient.age_on(self.operated_on)

    @property
    def indication_verdict(self) -> IndicationVerdict:
        return indication_verdict({key: getattr(self, key) for key in PREREQUISITES})

    @property
    def ligament_surgery(self) -> LigamentSurgeryCode:
        return ligament_surgery([getattr(self, name) for name in LIGAMENTS], self.staging)

    @property
    def entered_late(self) -> bool:
        """Whether it was entered from old notes rather than as it happened."""
        return (self.recorded_at.date() - self.operated_on).days > self.unit.late_entry_after_days
