"""What became of a repair: visits, looks, imaging, reoperations, complications, contacts, and the end.

Everything here is of a knee on a day; what concerns single tears has one row a tear.
"""

from typing import ClassVar

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Min, Q

from registry.models.confirming import refuse_past_its_reports, reports_confirmed
from registry.models.keeping import STANDING, Entry, Kept, standing_index
from registry.models.limits import between, choice_checks, not_in_future, range_check, told
from registry.models.people import Knee, Patient
from registry.models.procedures import IndexProcedure
from registry.models.repairs import Tear
from registry.rules.healing import LookClass, clinically_healed, second_look_class
from registry.vocabulary import (
    ComplicationKind,
    ContactSource,
    Effusion,
    EndReason,
    FoundBy,
    HealingClass,
    ImagingModality,
    LookReason,
    OtherSurgery,
    ReoperationAction,
    Severity,
    SignalToSurface,
    SportReturn,
    TearSite,
    TimePoint,
)


class KneeEvent(Entry):
    """Base of all that happens to a knee after its first index procedure."""

    PART_OF = ("knee",)
    # Each event names its own date field here, so that rules can speak of all of them at once.
    DATE_FIELD: ClassVar[str]

    class Meta:
        abstract = True

    def clean(self) -> None:
        """An event lies neither before the knee's first operation nor after the patient's death."""
        day = getattr(self, self.DATE_FIELD)
        if day is None or self.knee_id is None:  # type: ignore[attr-defined]
            return
        knee: Knee = self.knee  # type: ignore[attr-defined]
        first = knee.procedures.order_by("operated_on").values_list("operated_on", flat=True).first()
        if first is None or day < first:
            start = told(first) if first else "not recorded"
            raise ValidationError(
                {
                    self.DATE_FIELD: f"{told(day)} lies before the operation on this knee ({start}). "
                    "Correct it."
                }
            )
        died_on = knee.patient.died_on
        if died_on and day > died_on:
            raise ValidationError(
                {
                    self.DATE_FIELD: f"{told(day)} lies after the patient's death ({told(died_on)}). "
                    "Correct it."
                }
            )


class TearFinding(Kept):
    """Base of what an event says about one tear of its knee."""

    # Name of the foreign key to the event.
    EVENT_FIELD: ClassVar[str]

    class Meta:
        abstract = True

    def clean(self) -> None:
        """The tear is one of the knee's, and was operated on no later than the event."""
        event: KneeEvent = getattr(self, self.EVENT_FIELD)
        tear: Tear = self.tear  # type: ignore[attr-defined]
        day = getattr(event, event.DATE_FIELD)
        if tear.procedure.knee_id != event.knee_id:  # type: ignore[attr-defined]
            raise ValidationError(
                {"tear": f"The {tear} belongs to another knee. Choose a tear of this knee."}
            )
        if day is not None and day < tear.procedure.operated_on:
            raise ValidationError(
                f"{told(day)} lies before the operation on the {tear} ({told(tear.procedure.operated_on)}). "
                "Correct the date, or leave this tear out."
            )


def _yes_no(label: str) -> "models.BooleanField[bool | None, bool | None]":
    return models.BooleanField(label, null=True, blank=True)


class Visit(KneeEvent):
    """One clinic visit, with the signs that clinical healing is read from."""

    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="visits")
    seen_on = models.DateField("date of visit", validators=[not_in_future])
    time_point = models.CharField(max_length=10, choices=TimePoint, default=TimePoint.UNPLANNED)
    effusion = models.CharField(max_length=8, choices=Effusion, blank=True)
    joint_line_tenderness = _yes_no("joint-line tenderness")
    mcmurray = _yes_no("McMurray positive")
    flexion_deg = models.SmallIntegerField(
        "flexion (deg)", null=True, blank=True, validators=between(0, 170, "Flexion")
    )
    extension_deg = models.SmallIntegerField(
        "extension deficit (deg)", null=True, blank=True, validators=between(-20, 60, "Extension deficit")
    )
    lachman = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=between(0, 3, "Lachman grade")
    )
    pivot = models.PositiveSmallIntegerField(
        "pivot shift", null=True, blank=True, validators=between(0, 3, "Pivot-shift grade")
    )
    sport_return = models.CharField("returned to sport", max_length=6, choices=SportReturn, blank=True)
    employed_as_before = _yes_no("employed as before")
    DATE_FIELD = "seen_on"

    class Meta:
        ordering: ClassVar = ["seen_on", "pk"]
        indexes: ClassVar = [standing_index("visit_standing", "knee", "seen_on")]
        constraints: ClassVar = [
            *choice_checks("visit", time_point=TimePoint),
            *choice_checks("visit", optional=True, effusion=Effusion, sport_return=SportReturn),
            range_check("visit", "flexion_deg", 0, 170),
            range_check("visit", "extension_deg", -20, 60),
            range_check("visit", "lachman", 0, 3),
            range_check("visit", "pivot", 0, 3),
        ]

    def __str__(self) -> str:
        return f"visit of {told(self.seen_on)}"

    @property
    def clinically_healed(self) -> bool | None:
        return clinically_healed(self.effusion or None, self.joint_line_tenderness, self.mcmurray)


class Imaging(KneeEvent):
    """One examination of a knee by magnetic resonance or arthrography."""

    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="imaging")
    imaged_on = models.DateField("date of imaging", validators=[not_in_future])
    modality = models.CharField(max_length=16, choices=ImagingModality)
    DATE_FIELD = "imaged_on"

    class Meta:
        ordering: ClassVar = ["imaged_on", "pk"]
        verbose_name_plural = "imaging"
        indexes: ClassVar = [models.Index(fields=["knee", "imaged_on"])]
        constraints: ClassVar = [*choice_checks("imaging", modality=ImagingModality)]

    def __str__(self) -> str:
        return f"{self.get_modality_display()} of {told(self.imaged_on)}"


class ImagingFinding(TearFinding):
    """What imaging says of one repaired tear."""

    imaging = models.ForeignKey(Imaging, on_delete=models.PROTECT, related_name="findings")
    tear = models.ForeignKey(Tear, on_delete=models.PROTECT, related_name="imaging_findings")
    signal_to_surface = models.CharField(max_length=4, choices=SignalToSurface, blank=True)
    fluid_in_repair = _yes_no("fluid in the repair")
    extrusion_mm = models.DecimalField(
        "extrusion (mm)",
        max_digits=3,
        decimal_places=1,
        null=True,
        blank=True,
        validators=between(0, 15, "Extrusion"),
    )
    healed = models.CharField(max_length=6, choices=HealingClass, blank=True)
    EVENT_FIELD = "imaging"
    PART_OF = ("imaging", "tear")

    class Meta:
        constraints: ClassVar = [
            *choice_checks(
                "imagingfinding", optional=True, signal_to_surface=SignalToSurface, healed=HealingClass
            ),
            range_check("imagingfinding", "extrusion_mm", 0, 15),
            models.UniqueConstraint(
                fields=["imaging", "tear"],
                condition=STANDING,
                name="imaging_finding_once_a_tear",
                violation_error_message=(
                    "This tear already has a finding in this examination, which stays. Leave it empty here."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.tear} on {self.imaging}"


class SecondLook(KneeEvent):
    """One arthroscopic look at a knee repaired before."""

    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="looks")
    looked_on = models.DateField("date of second look", validators=[not_in_future])
    reason = models.CharField(max_length=14, choices=LookReason)
    DATE_FIELD = "looked_on"

    class Meta:
        ordering: ClassVar = ["looked_on", "pk"]
        indexes: ClassVar = [standing_index("look_standing", "knee", "looked_on")]
        constraints: ClassVar = [*choice_checks("look", reason=LookReason)]

    def __str__(self) -> str:
        return f"second look of {told(self.looked_on)}"


class SecondLookFinding(TearFinding):
    """What a second look found of one tear."""

    look = models.ForeignKey(SecondLook, on_delete=models.PROTECT, related_name="findings")
    tear = models.ForeignKey(Tear, on_delete=models.PROTECT, related_name="look_findings")
    healed_thickness_percent = models.PositiveSmallIntegerField(
        "healed share of thickness (%)", null=True, blank=True, validators=between(0, 100, "Healed thickness")
    )
    healed_length_percent = models.PositiveSmallIntegerField(
        "healed share of length (%)", null=True, blank=True, validators=between(0, 100, "Healed length")
    )
    stable_on_probing = _yes_no("stable on probing")
    sutures_covered = _yes_no("sutures covered by tissue")
    vessels_seen = _yes_no("vessels seen")
    action = models.CharField(
        "action taken", max_length=16, choices=ReoperationAction, default=ReoperationAction.NONE
    )
    EVENT_FIELD = "look"
    PART_OF = ("look", "tear")

    class Meta:
        constraints: ClassVar = [
            *choice_checks("lookfinding", action=ReoperationAction),
            range_check("lookfinding", "healed_thickness_percent", 0, 100),
            range_check("lookfinding", "healed_length_percent", 0, 100),
            models.UniqueConstraint(
                fields=["look", "tear"],
                condition=STANDING,
                name="look_finding_once_a_tear",
                violation_error_message=(
                    "This tear already has a finding in this second look, which stays. Leave it empty here."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.tear} at {self.look}"

    @property
    def healing_class(self) -> LookClass | None:
        """By the limits of the patient's unit."""
        unit = self.look.knee.patient.unit
        return second_look_class(
            self.healed_thickness_percent,
            self.healed_length_percent,
            unit.healed_cleft_below_percent,
            unit.failed_cleft_from_percent,
        )


class Reoperation(KneeEvent):
    """One later operation on a repaired knee. Staged ligament surgery alone is not a failure."""

    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="reoperations")
    operated_on = models.DateField("date of reoperation", validators=[not_in_future])
    planned = models.BooleanField("planned at the index operation", default=False)
    other_surgery = models.CharField(max_length=20, choices=OtherSurgery, default=OtherSurgery.NONE)
    DATE_FIELD = "operated_on"

    class Meta:
        ordering: ClassVar = ["operated_on", "pk"]
        indexes: ClassVar = [standing_index("reoperation_standing", "knee", "operated_on")]
        constraints: ClassVar = [*choice_checks("reoperation", other_surgery=OtherSurgery)]

    def __str__(self) -> str:
        return f"reoperation of {told(self.operated_on)}"

    def in_the_way(self) -> list[str]:
        """Reports of the patient that it confirms."""
        return reports_confirmed(self)

    def clean(self) -> None:
        super().clean()
        refuse_past_its_reports(self)


class ReoperationOnTear(TearFinding):
    """What a reoperation did to one tear, and whether at the repaired site or a new one."""

    reoperation = models.ForeignKey(Reoperation, on_delete=models.PROTECT, related_name="on_tears")
    tear = models.ForeignKey(Tear, on_delete=models.PROTECT, related_name="reoperations")
    site = models.CharField(max_length=4, choices=TearSite, default=TearSite.SAME)
    action = models.CharField(max_length=16, choices=ReoperationAction, default=ReoperationAction.NONE)
    EVENT_FIELD = "reoperation"
    PART_OF = ("reoperation", "tear")

    class Meta:
        verbose_name_plural = "reoperations on tears"
        constraints: ClassVar = [
            *choice_checks("reoperation_tear", site=TearSite, action=ReoperationAction),
            models.UniqueConstraint(
                fields=["reoperation", "tear"],
                condition=STANDING,
                name="reoperation_once_a_tear",
                violation_error_message=(
                    "This tear already stands in this reoperation, which stays. Leave it empty here."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_action_display().lower()} of the {self.tear}"


class Complication(KneeEvent):
    """One complication, graded."""

    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="complications")
    noticed_on = models.DateField(validators=[not_in_future])
    kind = models.CharField(max_length=22, choices=ComplicationKind)
    severity = models.CharField("Clavien-Dindo grade", max_length=3, choices=Severity)
    found_by = models.CharField(max_length=9, choices=FoundBy)
    resolved_on = models.DateField(null=True, blank=True, validators=[not_in_future])
    DATE_FIELD = "noticed_on"

    class Meta:
        ordering: ClassVar = ["noticed_on", "pk"]
        constraints: ClassVar = [
            *choice_checks("complication", kind=ComplicationKind, severity=Severity, found_by=FoundBy),
            models.CheckConstraint(
                condition=Q(resolved_on__isnull=True) | Q(resolved_on__gte=F("noticed_on")),
                name="complication_resolved_after_noticed",
                violation_error_message="It was resolved before it was noticed. Correct one of the dates.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display().lower()} of {told(self.noticed_on)}"


class Contact(KneeEvent):
    """A day on which the knee was known not to have been operated on again, and how it was known."""

    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="contacts")
    contacted_on = models.DateField("date of contact", validators=[not_in_future])
    source = models.CharField(max_length=12, choices=ContactSource)
    DATE_FIELD = "contacted_on"

    class Meta:
        ordering: ClassVar = ["contacted_on", "pk"]
        indexes: ClassVar = [standing_index("contact_standing", "knee", "contacted_on")]
        constraints: ClassVar = [*choice_checks("contact", source=ContactSource)]

    def __str__(self) -> str:
        return f"{self.get_source_display().lower()} of {told(self.contacted_on)}"


class EndOfFollowUp(Entry):
    """Why and when a living patient stopped being followed; death stands with the patient."""

    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="ends_of_follow_up")
    ended_on = models.DateField(validators=[not_in_future])
    reason = models.CharField(max_length=8, choices=EndReason)
    attempts = models.PositiveSmallIntegerField(null=True, blank=True, validators=between(1, 99, "Attempts"))
    PART_OF = ("patient",)

    class Meta:
        verbose_name_plural = "ends of follow-up"
        constraints: ClassVar = [
            *choice_checks("end", reason=EndReason),
            range_check("end", "attempts", 1, 99),
            models.UniqueConstraint(
                fields=["patient"],
                condition=STANDING,
                name="end_once_a_patient",
                violation_error_message="The end of follow-up is on record. Correct or withdraw that one.",
            ),
            models.CheckConstraint(
                # A check that comes out null passes, so an empty number has to be named.
                condition=~Q(reason=EndReason.LOST) | Q(attempts__isnull=False),
                name="end_lost_after_attempts",
                violation_error_message="Lost means attempts were made. Say how many.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_reason_display().lower()} on {told(self.ended_on)}"

    def clean(self) -> None:
        """Nobody leaves before the first operation."""
        operations = IndexProcedure.objects.filter(knee__patient=self.patient)
        first = operations.aggregate(day=Min("operated_on"))["day"]
        if self.ended_on and first and self.ended_on < first:
            raise ValidationError(
                {
                    "ended_on": f"{told(self.ended_on)} lies before the first operation ({told(first)}). "
                    "Correct it."
                }
            )
