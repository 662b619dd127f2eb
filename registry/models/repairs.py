"""Tears, one row each, and what was done to them."""

import uuid
from typing import ClassVar

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q

from registry.models.limits import between, choice_checks, range_check
from registry.models.procedures import IndexProcedure
from registry.vocabulary import (
    REPAIRED_TREATMENTS,
    AccompanyingPattern,
    Augmentation,
    Depth,
    Meniscus,
    Pattern,
    RadialLocation,
    RampType,
    RimZone,
    RootType,
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


class Tear(models.Model):
    """One meniscal tear as found at one index procedure."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    procedure = models.ForeignKey(IndexProcedure, on_delete=models.PROTECT, related_name="tears")
    meniscus = models.CharField(max_length=8, choices=Meniscus)
    pattern = models.CharField(max_length=16, choices=Pattern)
    accompanying_pattern = models.CharField(
        max_length=16, choices=AccompanyingPattern, default=AccompanyingPattern.NONE
    )
    depth = models.CharField(max_length=8, choices=Depth, blank=True)
    radial_location = models.CharField(max_length=10, choices=RadialLocation, blank=True)
    length_mm = models.PositiveSmallIntegerField(
        "length (mm)", null=True, blank=True, validators=between(1, 60, "Tear length")
    )
    rim_zone = models.PositiveSmallIntegerField("rim width", choices=RimZone, null=True, blank=True)
    vascular_zone = models.CharField(max_length=2, choices=VascularZone, blank=True)
    before_popliteal_hiatus = models.BooleanField("in front of the popliteal hiatus", null=True, blank=True)
    tissue = models.CharField(max_length=10, choices=Tissue, blank=True)
    displaced = models.BooleanField(null=True, blank=True)
    unstable = models.BooleanField("unstable on probing", null=True, blank=True)
    root_type = models.CharField(max_length=2, choices=RootType, blank=True)
    ramp_type = models.CharField(max_length=2, choices=RampType, blank=True)
    treatment = models.CharField("what was done", max_length=14, choices=Treatment)
    revises = models.ForeignKey(
        "self",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="revisions",
        help_text="The tear repaired before, when this one is its return.",
    )

    class Meta:
        constraints: ClassVar = [
            *choice_checks("tear", meniscus=Meniscus, pattern=Pattern, treatment=Treatment),
            *choice_checks("tear", accompanying_pattern=AccompanyingPattern, rim_zone=RimZone),
            *choice_checks("tear", optional=True, depth=Depth, radial_location=RadialLocation, tissue=Tissue),
            *choice_checks(
                "tear", optional=True, vascular_zone=VascularZone, root_type=RootType, ramp_type=RampType
            ),
            range_check("tear", "length_mm", 1, 60),
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
    def is_revision(self) -> bool:
        return self.revises_id is not None


TECHNIQUE_FIELDS = tuple(Technique.values)


class Repair(models.Model):
    """How a tear was repaired: the unit that survival counts."""

    tear = models.OneToOneField(Tear, on_delete=models.PROTECT, related_name="repair")
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
