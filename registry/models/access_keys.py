"""Keys by which programs act for a person, and what they created by them.

Working data around the record, not part of it. Of a key itself only a digest is kept.
"""

import uuid
from datetime import datetime
from typing import Any, ClassVar

from django.db import models
from django.utils import timezone

from registry.models.people import User


class AccessKey(models.Model):
    """One key: whose, for what, until when. It opens nothing that its person may not do."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="access_keys")
    label = models.CharField("what it is for", max_length=80)
    # SHA-256 of the key, in hexadecimal: the key is 256 random bits, so no slow digest is needed.
    digest = models.CharField(max_length=64, unique=True, editable=False)
    # Codes of registry.vocabulary.Scope.
    scopes: "models.JSONField[list[str], Any]" = models.JSONField(default=list)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    expires_at = models.DateTimeField()
    last_used_on = models.DateField(null=True, blank=True, editable=False)
    taken_back_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        ordering: ClassVar = ["-made_at", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=models.Q(expires_at__gt=models.F("made_at")), name="access_key_expires_after_made"
            )
        ]

    def __str__(self) -> str:
        return f"access key '{self.label}' of {self.user}"

    def is_open(self, now: datetime) -> bool:
        """Whether it still opens anything: in time, and not taken back."""
        return self.taken_back_at is None and now < self.expires_at


class Creation(models.Model):
    """What one person's program created under one idempotency key, so that asking twice creates once."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    key = models.CharField(max_length=255)
    # SHA-256 over method, address and body of the request.
    request_digest = models.CharField(max_length=64)
    # Address of what was created.
    location = models.CharField(max_length=300)
    made_at = models.DateTimeField(default=timezone.now, db_index=True)

    class Meta:
        constraints: ClassVar = [models.UniqueConstraint(fields=["user", "key"], name="creation_once_a_key")]

    def __str__(self) -> str:
        return f"{self.location} created by {self.user}"
