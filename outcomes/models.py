"""The one table of its own that this app keeps: what was released, to what end, by whom."""

import uuid
from typing import ClassVar

from django.conf import settings
from django.db import models
from django.utils import timezone

from registry.models import Unit


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
