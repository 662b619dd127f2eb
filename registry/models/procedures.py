"""The index procedure: the operation in which a tear was repaired, and the knee it was done in."""

from typing import ClassVar

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Min, Q
from django.db.models.functions import Length
from django.db.models.lookups import Exact

from registry.models.confirming import refuse_past_its_reports, reports_confirmed
from registry.models.keeping import STANDING, Entry, Kept, standing_index
from registry.models.labels import device_identifier, label_text
from registry.models.limits import FieldCheck, between, choice_checks, not_in_future, range_check, told
from registry.models.people import ABOUT_REVIEWS, SIGNS_OF_LIFE, Knee, Surgeon, Unit, User
from registry.rules.acuity import AcuityCode, acuity
from registry.rules.indications import PREREQUISITES, IndicationVerdict, indication_verdict
from registry.rules.staging import LigamentSurgeryCode, ligament_surgery
from registry.vocabulary import (
    Anaesthetic,
    Answer,
    DatePrecision,
    Graft,
    InjuryCause,
    LigamentState,
    PosteromedialLook,
    RehabilitationCourse,
    Smoking,
    Staging,
    Supervision,
)

# Done in the same sitting, any of.
OTHER_PROCEDURES = {
    "proximal_tibial_osteotomy": "osteotomy of the proximal tibia",
    "distal_femoral_osteotomy": "osteotomy of the distal femur",
    "cartilage_repair": "cartilage repair",
    "notch_microfracture": "microfracture of the notch (marrow venting)",
    "loose_body_removal": "removal of loose bodies",
    "other_procedure": "other surgery",
}
LIGAMENTS = ("acl", "pcl", "mcl", "lcl", "posterolateral", "anterolateral")
# What lies after a knee's first operation, with its date. A score may be answered before it, a visit booked.
_FOLLOWING = {
    rows: day
    for rows, day in (SIGNS_OF_LIFE | ABOUT_REVIEWS).items()
    if rows not in ("procedures", "scores", "booked_visits")
}


def _code(choices: type[models.TextChoices], **options: object) -> "models.CharField[str, str]":
    return models.CharField(max_length=24, choices=choices, **options)  # type: ignore[arg-type]


def _ligament(label: str) -> "models.CharField[str, str]":
    return _code(LigamentState, default=LigamentState.INTACT, verbose_name=label)


def _prerequisite(label: str) -> "models.CharField[str, str]":
    return _code(Answer, default=Answer.NOT_ASSESSED, verbose_name=label)


def _other(name: str) -> "models.BooleanField[bool, bool]":
    return models.BooleanField(OTHER_PROCEDURES[name], default=False)


def _cartilage(label: str) -> "models.PositiveSmallIntegerField[int | None, int | None]":
    return models.PositiveSmallIntegerField(
        label, null=True, blank=True, validators=between(0, 4, "ICRS grade")
    )


class IndexProcedure(Entry):
    """One operation on one knee in which at least one tear was treated."""

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
    graft = _code(Graft, blank=True)
    proximal_tibial_osteotomy = _other("proximal_tibial_osteotomy")
    distal_femoral_osteotomy = _other("distal_femoral_osteotomy")
    cartilage_repair = _other("cartilage_repair")
    notch_microfracture = _other("notch_microfracture")
    loose_body_removal = _other("loose_body_removal")
    other_procedure = _other("other_procedure")

    # Brought in from old notes by an intake: its repairs are at risk only from their entry on.
    from_old_notes = models.BooleanField("brought in from old notes", default=False, editable=False)

    signed_at = models.DateTimeField(null=True, blank=True, editable=False)
    signed_by = models.ForeignKey(
        User, on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )
    PART_OF = ("knee",)

    class Meta:
        ordering: ClassVar = ["-operated_on", "-pk"]
        indexes: ClassVar = [
            models.Index(fields=["unit", "operated_on"]),
            # Lists that begin with the latest operation; staged knees whose ligament is due.
            models.Index(fields=["-operated_on", "-id"], name="procedure_latest"),
            standing_index(
                "procedure_staged", "unit", "ligament_planned_on", also=Q(staging=Staging.REPAIR_FIRST)
            ),
        ]
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
            *choice_checks("procedure", optional=True, graft=Graft),
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
                condition=STANDING,
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
                condition=Q(graft="")
                | Q(*((name, LigamentState.TREATED_HERE) for name in LIGAMENTS), _connector=Q.OR),
                name="procedure_graft_only_with_reconstruction",
                violation_error_message=(
                    "A graft belongs to a ligament treated in this operation. Say which ligament that was, "
                    "or clear the graft."
                ),
            ),
            models.CheckConstraint(
                condition=Q(signed_at__isnull=True, signed_by__isnull=True)
                | Q(signed_at__isnull=False, signed_by__isnull=False),
                name="procedure_signed_by_somebody",
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
        return f"operation of {told(self.operated_on)} on the {self.knee}"

    def clean(self) -> None:
        if self.operated_on is None or self.knee_id is None:
            return
        self._refuse_readers()
        refuse_past_its_reports(self)
        patient = self.knee.patient
        if self.operated_on < patient.born_on:
            raise ValidationError(
                {"operated_on": f"{told(self.operated_on)} lies before the patient's birth. Correct it."}
            )
        if patient.died_on and self.operated_on > patient.died_on:
            raise ValidationError(
                {"operated_on": f"{told(self.operated_on)} lies after the patient's death. Correct it."}
            )

    def _refuse_readers(self) -> None:
        """Who read one of its tears as a second reader was not at the operation."""
        if self.pk is None:
            return
        readers = Surgeon.objects.filter(
            pk__in=self.team, readings__tear__procedure=self, readings__withdrawn_at__isnull=True
        )
        if reader := readers.first():
            raise ValidationError(
                f"{reader} has read a tear of this operation as a second reader, so was not at it. "
                "Name another surgeon, or let that reading be withdrawn first."
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

    def in_the_way(self) -> list[str]:
        """Events that would lie before the knee's first operation, returns of its tears, and reports."""
        others = IndexProcedure.objects.filter(knee=self.knee_id).exclude(pk=self.pk)
        first = others.aggregate(day=Min("operated_on"))["day"]
        stranded = [
            f"the {event} would lie before the first operation on this knee"
            for rows, day in _FOLLOWING.items()
            for event in getattr(self.knee, rows).filter(**{f"{day}__lt": first} if first else {})
        ]
        returned = [
            f"the {tear} of the operation of {told(tear.procedure.operated_on)} "
            "is the return of one of its tears"
            for mine in self.tears.all()
            for tear in mine.revisions.select_related("procedure")
        ]
        return stranded + returned + reports_confirmed(self)

    @property
    def team(self) -> set[int]:
        """Keys of the surgeons who were at the table."""
        keys = (self.lead_surgeon_id, self.first_assistant_id, self.repaired_by_id)
        return {key for key in keys if key is not None}

    @property
    def is_signed(self) -> bool:
        return self.signed_at is not None

    @property
    def other_procedures(self) -> list[str]:
        return [words for name, words in OTHER_PROCEDURES.items() if getattr(self, name)]

    @property
    def entered_late(self) -> bool:
        """Whether it was entered from old notes rather than as it happened."""
        days = (self.recorded_at.date() - self.operated_on).days
        return self.from_old_notes or days > self.unit.late_entry_after_days


def _weeks(label: str) -> "models.PositiveSmallIntegerField[int | None, int | None]":
    return models.PositiveSmallIntegerField(label, null=True, blank=True, validators=between(0, 52, "Weeks"))


class Rehabilitation(Kept):
    """Limits after one operation, as planned or as they went. Longer than after removal (common practice)."""

    procedure = models.ForeignKey(IndexProcedure, on_delete=models.PROTECT, related_name="rehabilitation")
    course = models.CharField(max_length=8, choices=RehabilitationCourse)
    full_weight_bearing_weeks = _weeks("full weight bearing after (weeks)")
    brace_weeks = _weeks("brace for (weeks)")
    flexion_limit_deg = models.PositiveSmallIntegerField(
        "flexion limited to (deg)", null=True, blank=True, validators=between(0, 150, "Limit of flexion")
    )
    flexion_limit_weeks = _weeks("flexion limited for (weeks)")
    sport_return_months = models.PositiveSmallIntegerField(
        "return to sport at (months)", null=True, blank=True, validators=between(1, 36, "Months")
    )
    PART_OF = ("procedure",)

    class Meta:
        ordering: ClassVar = ["procedure", "-course"]
        verbose_name_plural = "rehabilitation"
        constraints: ClassVar = [
            *choice_checks("rehabilitation", course=RehabilitationCourse),
            range_check("rehabilitation", "full_weight_bearing_weeks", 0, 52),
            range_check("rehabilitation", "brace_weeks", 0, 52),
            range_check("rehabilitation", "flexion_limit_deg", 0, 150),
            range_check("rehabilitation", "flexion_limit_weeks", 0, 52),
            range_check("rehabilitation", "sport_return_months", 1, 36),
            models.UniqueConstraint(
                fields=["procedure", "course"],
                condition=STANDING,
                name="rehabilitation_once_a_course",
                violation_error_message="This is on record for this operation. Correct that one.",
            ),
            models.CheckConstraint(
                condition=Q(flexion_limit_deg__isnull=True, flexion_limit_weeks__isnull=True)
                | Q(flexion_limit_deg__isnull=False, flexion_limit_weeks__isnull=False),
                name="rehabilitation_flexion_whole",
                violation_error_message=(
                    "A limit of flexion needs its degrees and its weeks. Enter both, or clear both."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"rehabilitation {self.get_course_display().lower()}"


class Implant(Kept):
    """One kind of implant used in an operation, as its label says (GS1)."""

    procedure = models.ForeignKey(IndexProcedure, on_delete=models.PROTECT, related_name="implants")
    device_identifier = models.CharField(max_length=14, validators=[device_identifier])
    lot = models.CharField(max_length=20, blank=True, validators=[label_text])
    serial = models.CharField(max_length=20, blank=True, validators=[label_text])
    expires_on = models.DateField("expiry", null=True, blank=True)
    count = models.PositiveSmallIntegerField(default=1, validators=between(1, 50, "Count"))
    PART_OF = ("procedure",)

    class Meta:
        ordering: ClassVar = ["procedure", "pk"]
        indexes: ClassVar = [models.Index(fields=["lot"]), models.Index(fields=["device_identifier"])]
        constraints: ClassVar = [
            range_check("implant", "count", 1, 50),
            FieldCheck(
                condition=Q(Exact(Length("device_identifier"), 14)), name="implant_device_identifier_length"
            ),
            models.CheckConstraint(
                condition=~Q(lot="", serial=""),
                name="implant_lot_or_serial",
                violation_error_message="Without lot and serial no recall finds it. Enter one of them.",
            ),
        ]

    def __str__(self) -> str:
        return (
            f"implant {self.device_identifier}, {f'lot {self.lot}' if self.lot else f'serial {self.serial}'}"
        )
