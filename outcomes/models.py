"""Tables of this app's own, none of them part of the record: what was named, briefed and released."""

import gzip
import uuid
from typing import Any, ClassVar

from django.conf import settings
from django.db import models
from django.db.models.functions import Lower
from django.utils import timezone

from registry.models import Unit


class OwnDefinition(models.Model):
    """A unit's own definition of failure: kinds of event by code. Never edited; another takes its place."""

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=60)
    sources: "models.JSONField[list[str], Any]" = models.JSONField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)
    retired_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["unit", "name", "pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~models.Q(name=""), name="own_definition_has_name"),
            models.UniqueConstraint(
                Lower("name"),
                "unit",
                condition=models.Q(retired_at__isnull=True),
                name="own_definition_once_a_name",
                violation_error_message=(
                    "A definition of this name is in use. Retire it, or choose another name."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.unit})"

    @property
    def code(self) -> str:
        """How an address names it."""
        return f"own-{self.pk}"


class NamedCohort(models.Model):
    """A cohort under a name: what its address says, and whom its maker shares it with."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=60)
    # The filters that differ from the default, as they stand in an address.
    query: "models.JSONField[dict[str, str], Any]" = models.JSONField(default=dict, blank=True)
    definition = models.CharField(max_length=40, blank=True)
    shared_with = models.ForeignKey(
        Unit, on_delete=models.PROTECT, null=True, blank=True, related_name="+", verbose_name="shared with"
    )
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering: ClassVar = ["name", "pk"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~models.Q(name=""), name="named_cohort_has_name"),
            models.UniqueConstraint(
                Lower("name"),
                "made_by",
                name="named_cohort_once_a_name",
                violation_error_message="You have a cohort of this name. Choose another name.",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Briefing(models.Model):
    """One audit briefing as it was handed to the meeting. Written once, never changed."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="+")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)
    since = models.DateField("operations from", null=True, blank=True)
    until = models.DateField("operations to", null=True, blank=True)
    definition = models.CharField(max_length=40)
    closed_on = models.DateField()
    note = models.TextField("words of the chair", max_length=2000, blank=True)
    # Every number printed, as the file itself carries them.
    numbers: "models.JSONField[dict[str, Any], Any]" = models.JSONField()
    html_gzipped = models.BinaryField()
    sha256 = models.CharField(max_length=64)

    class Meta:
        ordering: ClassVar = ["-made_at", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=models.Q(since__isnull=True)
                | models.Q(until__isnull=True)
                | models.Q(until__gte=models.F("since")),
                name="briefing_period_in_order",
                violation_error_message="The period ends before it begins. Correct one of its days.",
            )
        ]

    def __str__(self) -> str:
        return f"briefing of {self.unit}, {self.made_at:%Y-%m-%d}"

    @property
    def html(self) -> bytes:
        """The file itself, byte for byte what `sha256` was taken of."""
        return gzip.decompress(bytes(self.html_gzipped))


class ReleaseEntry(models.Model):
    """One de-identified release. Written once, never changed."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    released_at = models.DateTimeField(default=timezone.now)
    released_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    units = models.ManyToManyField(Unit, related_name="+")
    project = models.CharField(max_length=60)
    purpose = models.CharField(max_length=300)
    approval = models.CharField("approval reference", max_length=100)
    cohort_sentence = models.TextField()
    definition = models.CharField(max_length=40)
    rows_in_cohort = models.PositiveIntegerField()
    rows_permitted = models.PositiveIntegerField()
    rows_suppressed = models.PositiveIntegerField()
    rows_released = models.PositiveIntegerField()
    smallest_class = models.PositiveIntegerField()
    sha256 = models.CharField(max_length=64)

    class Meta:
        ordering: ClassVar = ["-released_at", "-pk"]
        verbose_name_plural = "release entries"
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=~models.Q(purpose="") & ~models.Q(approval="") & ~models.Q(project=""),
                name="release_has_purpose_and_approval",
            )
        ]

    def __str__(self) -> str:
        return f"{self.project}, {self.released_at:%Y-%m-%d}"
