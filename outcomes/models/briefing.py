"""The audit briefing as it was handed to a meeting."""

import gzip
import uuid
from typing import Any, ClassVar

from django.conf import settings
from django.db import models
from django.utils import timezone

from registry.models import Unit


class Briefing(models.Model):
    """One audit briefing as it was handed to the meeting. Written once; the database refuses a change."""

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
