"""Old records brought in from a file: the file on its way, what was taken in, and what a unit's columns mean.

Working data around the record, not part of it; what was taken in is part of it, and says so itself.
"""

import uuid
from typing import Any, ClassVar

from django.db import models
from django.utils import timezone

from registry.models.limits import choice_checks
from registry.models.people import Unit, User
from registry.vocabulary import IntakeState


class Intake(models.Model):
    """One file of past records: looked at, rehearsed, taken in whole or not at all, undone as a whole."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="intakes")
    begun_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    begun_at = models.DateTimeField(default=timezone.now)
    file_name = models.CharField(max_length=200)
    file_sha256 = models.CharField(max_length=64)
    # The file as it came, sealed; emptied as soon as it is taken in or dropped.
    file_sealed = models.BinaryField(null=True, blank=True)
    # What its columns and values mean: registry.intake.columns.mapping.Mapping.as_json().
    mapping: "models.JSONField[dict[str, Any], Any]" = models.JSONField(default=dict, blank=True)
    state = models.CharField(max_length=10, choices=IntakeState, default=IntakeState.OPEN)
    # Counts, and problems until it is taken in or dropped: registry.intake.report.Report as JSON, sealed.
    report_sealed = models.TextField(blank=True)
    # How far the work is, who does it, when they last said so, and why it broke off.
    step = models.CharField(max_length=80, blank=True)
    done = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0)
    told = models.TextField(blank=True)
    worker = models.CharField(max_length=32, blank=True)
    beat_at = models.DateTimeField(null=True, blank=True)
    cancel_asked = models.BooleanField(default=False)
    taken_in_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    taken_in_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_because = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar = ["-begun_at", "-pk"]
        constraints: ClassVar = [
            *choice_checks("intake", state=IntakeState),
            models.CheckConstraint(
                condition=~models.Q(state__in=[IntakeState.TAKEN_IN, IntakeState.UNDONE])
                | models.Q(taken_in_at__isnull=False, taken_in_by__isnull=False, file_sealed__isnull=True),
                name="intake_taken_in_by_somebody",
            ),
            models.CheckConstraint(
                condition=~models.Q(state=IntakeState.UNDONE)
                | models.Q(undone_at__isnull=False, undone_by__isnull=False) & ~models.Q(undone_because=""),
                name="intake_undone_with_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"intake of {self.file_name}, {self.get_state_display().lower()}"


class IntakeRow(models.Model):
    """One row of the record that an intake brought."""

    intake = models.ForeignKey(Intake, on_delete=models.PROTECT, related_name="rows")
    row_table = models.CharField(max_length=40)
    row_id = models.BigIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["row_table", "row_id"], name="intake_row_brought_once")
        ]

    def __str__(self) -> str:
        return f"{self.row_table} {self.row_id} by {self.intake}"


class IntakeMemory(models.Model):
    """What a unit said the columns of a sheet mean, by the words of its header."""

    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="+")
    header = models.CharField("SHA-256 of the header", max_length=64)
    meaning: "models.JSONField[dict[str, Any], Any]" = models.JSONField(default=dict)
    saved_at = models.DateTimeField(auto_now=True)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["unit", "header"], name="intake_memory_once_a_header")
        ]

    def __str__(self) -> str:
        return f"columns of {self.unit}, {self.header[:8]}"
