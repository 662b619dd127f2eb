"""What people give names to: a unit's own definitions of failure, and cohorts with their versions."""

import gzip
import uuid
from array import array
from collections.abc import Iterable
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
    """A cohort under a name, and whom its maker shares it with; what it holds stands in its versions."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    name = models.CharField(max_length=60)
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

    @property
    def latest(self) -> "CohortVersion":
        """The version that the name opens; one query less when the versions were prefetched."""
        return max(self.versions.all(), key=lambda version: version.number)

    @property
    def query(self) -> dict[str, str]:
        """The filters of the latest version."""
        query: dict[str, str] = self.latest.query
        return query

    @property
    def definition(self) -> str:
        """The code of the failure definition of the latest version; empty for the usual one."""
        return self.latest.definition


class CohortVersion(models.Model):
    """What a named cohort held from one day on: its filters, and whom they counted then. Never changed."""

    cohort = models.ForeignKey(NamedCohort, on_delete=models.CASCADE, related_name="versions")
    number = models.PositiveSmallIntegerField()
    # The filters that differ from the default, as they stand in an address.
    query: "models.JSONField[dict[str, str], Any]" = models.JSONField(default=dict, blank=True)
    definition = models.CharField(max_length=40, blank=True)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)
    # The version of the record that was counted, in the units of these codes; None: never counted.
    record_version = models.PositiveBigIntegerField(null=True, blank=True)
    units: "models.JSONField[list[str], Any]" = models.JSONField(default=list, blank=True)
    # Each step of outcomes.flow as [code, label, left out, remaining].
    flow: "models.JSONField[list[list[Any]], Any]" = models.JSONField(default=list, blank=True)
    members_gzipped = models.BinaryField(default=b"")

    class Meta:
        ordering: ClassVar = ["cohort", "-number"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["cohort", "number"], name="cohort_version_once"),
            models.CheckConstraint(condition=models.Q(number__gte=1), name="cohort_version_from_one"),
        ]

    def __str__(self) -> str:
        return f"{self.cohort}, version {self.number}"

    @property
    def members(self) -> frozenset[int]:
        """Keys of the repairs that it held when it was made."""
        packed = bytes(self.members_gzipped)
        return frozenset(array("q", gzip.decompress(packed))) if packed else frozenset()

    @staticmethod
    def packed(members: Iterable[int]) -> bytes:
        """Keys of repairs as `members_gzipped` keeps them."""
        return gzip.compress(array("q", sorted(members)).tobytes(), mtime=0)
