"""Tears, one row each, and what was done to them."""

import uuid
from typing import Any, ClassVar

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q
from django.utils import timezone

from registry.models.keeping import STANDING, Entry, Kept
from registry.models.limits import between, choice_checks, range_check, told
from registry.models.people import Surgeon
from registry.models.procedures import IndexProcedure
from registry.vocabulary import (
    REPAIRED_TREATMENTS,
    Augmentation,
    Depth,
    Meniscus,
    PassConfiguration,
    PassSurface,
    Pattern,
    RadialLocation,
    RampType,
    RimZone,
    RootType,
    SutureSize,
    Technique,
    TibialFixation,
    Tissue,
    Treatment,
    VascularZone,
)


def _only_with(pattern: Pattern, field: str, noun: str) -> models.CheckConstraint:
    return models.CheckConstraint(
        condition=Q(**{field: ""}) | Q(pattern=pattern),
        name=f"tear_{field}_only_with_pattern",
        violation_error_message=(
            f"A {noun} type goes with pattern {pattern.label} only. Clear it, or change the pattern."
        ),
    )


def _agree(measured: str, coded: str, bounds: dict[Any, tuple[int, int]]) -> Q:
    """Nothing measured, or a measure in [low, high) of the code given."""
    agrees = Q(**{f"{measured}__isnull": True})
    for code, (low, high) in bounds.items():
        agrees |= Q(**{coded: code, f"{measured}__gte": low, f"{measured}__lt": high})
    return agrees


class Tear(Kept):
    """One meniscal tear as found at one index procedure."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    procedure = models.ForeignKey(IndexProcedure, on_delete=models.PROTECT, related_name="tears")
    meniscus = models.CharField(max_length=8, choices=Meniscus)
    pattern = models.CharField(max_length=16, choices=Pattern)
    with_delamination = models.BooleanField("with delamination", default=False)
    with_longitudinal = models.BooleanField("with a longitudinal-vertical tear", default=False)
    with_horizontal = models.BooleanField("with a horizontal tear", default=False)
    with_radial = models.BooleanField("with a radial tear", default=False)
    with_flap = models.BooleanField("with a flap", default=False)
    depth = models.CharField(max_length=8, choices=Depth, blank=True)
    radial_location = models.CharField(max_length=10, choices=RadialLocation, blank=True)
    length_mm = models.PositiveSmallIntegerField(
        "length (mm)", null=True, blank=True, validators=between(1, 60, "Tear length")
    )
    rim_zone = models.PositiveSmallIntegerField("rim width", choices=RimZone, null=True, blank=True)
    rim_width_mm = models.DecimalField(
        "rim width measured (mm)",
        max_digits=3,
        decimal_places=1,
        null=True,
        blank=True,
        validators=between(0, 20, "Rim width"),
    )
    vascular_zone = models.CharField(max_length=2, choices=VascularZone, blank=True)
    before_popliteal_hiatus = models.BooleanField("in front of the popliteal hiatus", null=True, blank=True)
    tissue = models.CharField(max_length=10, choices=Tissue, blank=True)
    displaced = models.BooleanField(null=True, blank=True)
    unstable = models.BooleanField("unstable on probing", null=True, blank=True)
    root_type = models.CharField(max_length=2, choices=RootType, blank=True)
    root_distance_mm = models.DecimalField(
        "distance from the root (mm)",
        max_digits=3,
        decimal_places=1,
        null=True,
        blank=True,
        validators=between(0, 9, "Distance from the root"),
    )
    ramp_type = models.CharField(max_length=2, choices=RampType, blank=True)
    map_step = models.PositiveSmallIntegerField(
        "step on the tear map",
        null=True,
        blank=True,
        validators=between(1, 12, "Step"),
        help_text="1 is the anterior root, 12 the posterior root.",
    )
    treatment = models.CharField("what was done", max_length=14, choices=Treatment)
    revises = models.ForeignKey(
        "self",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="revisions",
        help_text="The tear repaired before, when this one is its return.",
    )
    PART_OF = ("procedure",)

    class Meta:
        constraints: ClassVar = [
            *choice_checks("tear", meniscus=Meniscus, pattern=Pattern, treatment=Treatment),
            *choice_checks("tear", rim_zone=RimZone),
            *choice_checks("tear", optional=True, depth=Depth, radial_location=RadialLocation, tissue=Tissue),
            *choice_checks(
                "tear", optional=True, vascular_zone=VascularZone, root_type=RootType, ramp_type=RampType
            ),
            range_check("tear", "length_mm", 1, 60),
            range_check("tear", "rim_width_mm", 0, 20),
            range_check("tear", "root_distance_mm", 0, 9),
            range_check("tear", "map_step", 1, 12),
            models.CheckConstraint(
                condition=_agree("rim_width_mm", "rim_zone", {1: (0, 3), 2: (3, 5), 3: (5, 99)}),
                name="tear_rim_width_agrees_with_zone",
                violation_error_message=(
                    "The rim width measured and the rim zone disagree (zone 1 under 3 mm, zone 2 from 3 to "
                    "under 5 mm, zone 3 from 5 mm). Correct one of them."
                ),
            ),
            models.CheckConstraint(
                condition=_agree(
                    "root_distance_mm", "root_type", {"2A": (0, 3), "2B": (3, 6), "2C": (6, 99)}
                ),
                name="tear_root_distance_agrees_with_type",
                violation_error_message=(
                    "The distance from the root and the root type disagree (2A under 3 mm, 2B from 3 to "
                    "under 6 mm, 2C from 6 to 9 mm). Correct one of them."
                ),
            ),
            models.CheckConstraint(
                condition=~Q(pattern=Pattern.RAMP) | Q(meniscus=Meniscus.MEDIAL),
                name="tear_ramp_is_medial",
                violation_error_message=(
                    "A ramp lesion on the lateral meniscus: ramp lesions are medial. "
                    "Choose Medial, or another pattern."
                ),
            ),
            _only_with(Pattern.ROOT, "root_type", "root"),
            _only_with(Pattern.RAMP, "ramp_type", "ramp"),
            models.CheckConstraint(
                condition=Q(before_popliteal_hiatus__isnull=True) | Q(meniscus=Meniscus.LATERAL),
                name="tear_hiatus_is_lateral",
                violation_error_message="The popliteal hiatus is lateral. Leave it empty for a medial tear.",
            ),
            models.CheckConstraint(
                condition=~Q(revises=models.F("pk")),
                name="tear_revises_another",
                violation_error_message="A tear cannot be the return of itself. Choose the earlier tear.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_pattern_display().lower()} tear, {self.get_meniscus_display().lower()} meniscus"

    def in_the_way(self) -> list[str]:
        return [
            f"the {tear} of the operation of {told(tear.procedure.operated_on)} is its return"
            for tear in self.revisions.select_related("procedure")
        ]

    def clean(self) -> None:
        # A form checks the tear before its operation is saved; the one way in checks it again after.
        if self.revises is None or self.procedure_id is None:
            return
        earlier = self.revises.procedure
        if earlier.knee_id != self.procedure.knee_id:
            raise ValidationError(
                {"revises": "The earlier tear is in another knee. Choose one of this knee."}
            )
        if earlier.operated_on >= self.procedure.operated_on:
            raise ValidationError(
                {"revises": "The earlier tear was not operated on before this operation. Choose another."}
            )
        if not self.revises.is_repaired:
            raise ValidationError(
                {
                    "revises": f"The earlier tear is marked '{self.revises.get_treatment_display()}': only a "
                    "tear marked repaired or part repaired can return. Choose another."
                }
            )

    @property
    def is_repaired(self) -> bool:
        return self.treatment in REPAIRED_TREATMENTS

    @property
    def standing_repair(self) -> "Repair | None":
        """Its repair, unless it has none or that is withdrawn."""
        known: Repair | None = getattr(self, "repair", None)
        return known if known is not None and known.stands else None

    @property
    def accompanied_by(self) -> list[str]:
        return [str(self._meta.get_field(name).verbose_name) for name in ACCOMPANYING if getattr(self, name)]  # type: ignore[union-attr]

    @property
    def is_revision(self) -> bool:
        return self.revises_id is not None


ACCOMPANYING = ("with_delamination", "with_longitudinal", "with_horizontal", "with_radial", "with_flap")
TECHNIQUE_FIELDS = tuple(Technique.values)


class Repair(Kept):
    """How a tear was repaired: the unit that survival counts."""

    tear = models.OneToOneField(Tear, on_delete=models.PROTECT, related_name="repair")
    # Of its own: a repair added to an old operation by a correction was entered later than that.
    recorded_at = models.DateTimeField(default=timezone.now, editable=False)
    all_inside = models.BooleanField(default=False)
    inside_out = models.BooleanField(default=False)
    outside_in = models.BooleanField(default=False)
    pull_out = models.BooleanField("transtibial pull-out", default=False)
    suture_anchor = models.BooleanField(default=False)
    suture_hook = models.BooleanField("posteromedial-portal suture hook", default=False)
    rasped = models.BooleanField(null=True, blank=True)
    trephined = models.BooleanField(null=True, blank=True)
    shaved = models.BooleanField(null=True, blank=True)
    tunnels = models.PositiveSmallIntegerField(null=True, blank=True, validators=between(1, 2, "Tunnels"))
    tibial_fixation = models.CharField(max_length=12, choices=TibialFixation, blank=True)
    augmentation = models.CharField(max_length=16, choices=Augmentation, default=Augmentation.NONE)
    prp_blood_ml = models.PositiveSmallIntegerField(
        "blood drawn for platelet-rich plasma (ml)",
        null=True,
        blank=True,
        validators=between(1, 200, "Blood drawn"),
    )
    stable_at_end = models.BooleanField("stable when probed at the end", null=True, blank=True)
    PART_OF = ("tear",)

    class Meta:
        constraints: ClassVar = [
            *choice_checks("repair", augmentation=Augmentation),
            *choice_checks("repair", optional=True, tibial_fixation=TibialFixation),
            range_check("repair", "tunnels", 1, 2),
            range_check("repair", "prp_blood_ml", 1, 200),
            models.CheckConstraint(
                condition=Q(
                    *((name, True) for name in TECHNIQUE_FIELDS),
                    _connector=Q.OR,
                ),
                name="repair_has_technique",
                violation_error_message="A repair needs at least one technique. Tick how it was repaired.",
            ),
            models.CheckConstraint(
                condition=Q(prp_blood_ml__isnull=True) | Q(augmentation=Augmentation.PRP),
                name="repair_blood_only_for_prp",
                violation_error_message=(
                    "Blood drawn goes with platelet-rich plasma. Choose that augmentation, "
                    "or clear the volume."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"repair of {self.tear}"

    def clean(self) -> None:
        if self.tear_id is not None and not self.tear.is_repaired:
            raise ValidationError(
                f"This tear is marked '{self.tear.get_treatment_display()}', so it has no repair. "
                "Mark it repaired or part repaired, or leave the repair out."
            )

    @property
    def techniques(self) -> list[Technique]:
        return [technique for technique in Technique if getattr(self, technique.value)]


class SuturePass(Kept):
    """Passes of one kind in a repair. Usual spacing of all-inside passes is 2-3 mm (common practice)."""

    repair = models.ForeignKey(Repair, on_delete=models.PROTECT, related_name="passes")
    configuration = models.CharField(max_length=16, choices=PassConfiguration)
    surface = models.CharField(max_length=5, choices=PassSurface, blank=True)
    number = models.PositiveSmallIntegerField(validators=between(1, 30, "Number of passes"))
    suture_size = models.CharField("suture size (USP)", max_length=3, choices=SutureSize, blank=True)
    spacing_mm = models.DecimalField(
        "spacing (mm)",
        max_digits=3,
        decimal_places=1,
        null=True,
        blank=True,
        validators=between(0.5, 30, "Spacing"),
    )
    PART_OF = ("repair",)

    class Meta:
        ordering: ClassVar = ["repair", "pk"]
        verbose_name_plural = "suture passes"
        constraints: ClassVar = [
            *choice_checks("pass", configuration=PassConfiguration),
            *choice_checks("pass", optional=True, surface=PassSurface, suture_size=SutureSize),
            range_check("pass", "number", 1, 30),
            range_check("pass", "spacing_mm", 0.5, 30),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.get_configuration_display().lower()}"


class TearReading(Entry):
    """A second surgeon's classification of a tear, made without the first.

    The operating surgeon's stays the record.
    """

    tear = models.ForeignKey(Tear, on_delete=models.PROTECT, related_name="readings")
    reader = models.ForeignKey(Surgeon, on_delete=models.PROTECT, related_name="readings")
    pattern = models.CharField(max_length=16, choices=Pattern)
    depth = models.CharField(max_length=8, choices=Depth)
    radial_location = models.CharField(max_length=10, choices=RadialLocation)
    rim_zone = models.PositiveSmallIntegerField("rim width", choices=RimZone)
    vascular_zone = models.CharField(max_length=2, choices=VascularZone)
    tissue = models.CharField(max_length=10, choices=Tissue)
    PART_OF = ("tear",)
    READ: ClassVar = ("pattern", "depth", "radial_location", "rim_zone", "vascular_zone", "tissue")

    class Meta:
        ordering: ClassVar = ["tear", "pk"]
        constraints: ClassVar = [
            *choice_checks("reading", pattern=Pattern, depth=Depth, radial_location=RadialLocation),
            *choice_checks("reading", rim_zone=RimZone, vascular_zone=VascularZone, tissue=Tissue),
            models.UniqueConstraint(
                fields=["tear", "reader"],
                condition=STANDING,
                name="reading_once_a_reader",
                violation_error_message="You have read this tear. Withdraw that reading to read it anew.",
            ),
        ]

    def __str__(self) -> str:
        return f"second reading of the {self.tear}"

    @property
    def entry(self) -> Kept:
        """A reading is an entry of its own, not part of the operation."""
        return self

    def clean(self) -> None:
        if self.tear_id is None or self.reader_id is None:
            return
        if self.reader_id in self.tear.procedure.team:
            raise ValidationError(
                f"{self.reader} was at the operation on this tear. A second reading is another surgeon's: "
                "choose another tear."
            )
