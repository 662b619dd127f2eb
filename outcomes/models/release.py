"""The ledger of what left the house, and the work in hand on a release."""

import json
import uuid
from hashlib import sha256
from typing import Any, ClassVar

from django.conf import settings
from django.db import models
from django.utils import timezone

# What stands before the first entry.
NOTHING_BEFORE = "0" * 64


class LedgerKind(models.TextChoices):
    """What an entry of the ledger tells."""

    ROWS = "rows", "Release of rows"
    COUNTS = "counts", "Release of counts"
    POOLED = "pooled", "Counts to be pooled"
    RECALL = "recall", "Recall"
    LETTER = "letter", "Letter on a withdrawal"


class LedgerEntry(models.Model):
    """One line of the ledger, chained to the one before by its hash. The database refuses any change.

    Written by outcomes.release.ledger alone.
    """

    number = models.PositiveIntegerField(unique=True)
    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    kind = models.CharField(max_length=8, choices=LedgerKind)
    written_at = models.DateTimeField(default=timezone.now)
    written_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    # The release that a recall or a letter is about.
    of = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="later")
    # JSON with sorted keys, as text: byte for byte what the hash was taken of, on either engine.
    content = models.TextField()
    previous_hash = models.CharField(max_length=64, unique=True)
    own_hash = models.CharField(max_length=64, unique=True)

    class Meta:
        ordering: ClassVar = ["-number"]
        verbose_name_plural = "ledger entries"
        constraints: ClassVar = [
            models.CheckConstraint(condition=models.Q(kind__in=LedgerKind.values), name="ledger_kind_known"),
            models.CheckConstraint(
                condition=models.Q(number__gt=1) | models.Q(previous_hash=NOTHING_BEFORE),
                name="ledger_begins_with_nothing",
            ),
            models.CheckConstraint(
                condition=models.Q(of__isnull=True)
                ^ models.Q(kind__in=[LedgerKind.RECALL, LedgerKind.LETTER]),
                name="ledger_later_words_name_their_release",
            ),
        ]

    def __str__(self) -> str:
        return f"ledger entry {self.number}"

    @property
    def said(self) -> dict[str, Any]:
        """The content as a dictionary."""
        content: dict[str, Any] = json.loads(self.content)
        return content

    def worked_out_hash(self) -> str:
        """SHA-256 over the previous hash and every field of this entry, in hexadecimal."""
        fields = [
            self.previous_hash,
            str(self.number),
            str(self.uuid),
            self.kind,
            self.written_at.isoformat(timespec="microseconds"),
            str(self.written_by_id),
            str(self.of_id or ""),
            self.content,
        ]
        return sha256("\n".join(fields).encode()).hexdigest()


class JobState(models.TextChoices):
    """Where the work on a release stands."""

    ASKED = "asked", "Waiting to begin"
    PREPARING = "preparing", "Being prepared"
    PREPARED = "prepared", "Ready to be looked at"
    CONFIRMED = "confirmed", "Waiting to be packed"
    PACKING = "packing", "Being packed"
    RELEASED = "released", "Released"
    REFUSED = "refused", "Refused"
    CANCELLED = "cancelled", "Cancelled"
    BROKEN = "broken", "Broken off"


class ReleaseJob(models.Model):
    """One release in the making: prepared in the background, looked at, then packed or dropped."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField(default=timezone.now)
    # Who looked at it and let it go.
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    # The fields of outcomes.release.asked.Asked.
    asked: "models.JSONField[dict[str, Any], Any]" = models.JSONField()
    state = models.CharField(max_length=10, choices=JobState, default=JobState.ASKED)
    step = models.CharField(max_length=80, blank=True)
    done = models.PositiveIntegerField(default=0)
    total = models.PositiveIntegerField(default=0)
    # Why it was refused or broke off, in words.
    told = models.TextField(blank=True)
    # Who works on it, and when they last said so.
    worker = models.CharField(max_length=32, blank=True)
    beat_at = models.DateTimeField(null=True, blank=True)
    cancel_asked = models.BooleanField(default=False)
    # What outcomes.release.preview tells before anything leaves.
    preview: "models.JSONField[dict[str, Any] | None, Any]" = models.JSONField(null=True, blank=True)
    entry = models.ForeignKey(LedgerEntry, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering: ClassVar = ["-asked_at", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=models.Q(state__in=JobState.values), name="release_job_state_known"
            ),
            models.CheckConstraint(
                condition=models.Q(state=JobState.RELEASED) ^ models.Q(entry__isnull=True),
                name="release_job_released_with_its_entry",
            ),
        ]

    def __str__(self) -> str:
        return f"release in the making, {self.get_state_display().lower()}"
