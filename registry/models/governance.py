"""Who belongs to which unit in which role, and who looked at an identity, when and why."""

from datetime import timedelta
from typing import ClassVar

from django.db import models
from django.utils import timezone

from registry.models.limits import choice_checks
from registry.models.people import Patient, Unit, User
from registry.vocabulary import Role


class Membership(models.Model):
    """One role of one person in one unit."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="memberships")
    role = models.CharField(max_length=14, choices=Role)

    class Meta:
        constraints: ClassVar = [
            *choice_checks("membership", role=Role),
            models.UniqueConstraint(fields=["user", "unit", "role"], name="membership_once"),
        ]

    def __str__(self) -> str:
        return f"{self.user} as {self.get_role_display().lower()} of {self.unit}"


class IdentityView(models.Model):
    """One opening of a patient's identity."""

    patient = models.ForeignKey(Patient, on_delete=models.PROTECT, related_name="identity_views")
    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    viewed_at = models.DateTimeField(default=timezone.now)
    reason = models.CharField(max_length=200)

    class Meta:
        ordering: ClassVar = ["-viewed_at"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~models.Q(reason=""), name="identity_view_has_reason")
        ]

    def __str__(self) -> str:
        return f"{self.user} viewed {self.patient} on {self.viewed_at:%Y-%m-%d}"


class LotLookUp(models.Model):
    """One search for the knees that hold an implant of a lot."""

    user = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    looked_up_at = models.DateTimeField(default=timezone.now)
    device_identifier = models.CharField(max_length=14, blank=True)
    lot = models.CharField(max_length=20, blank=True)
    as_file = models.BooleanField("downloaded", default=False)
    reason = models.CharField(max_length=200)
    knees_found = models.PositiveIntegerField()

    class Meta:
        ordering: ClassVar = ["-looked_up_at"]
        constraints: ClassVar = [
            models.CheckConstraint(condition=~models.Q(reason=""), name="lot_look_up_has_reason"),
            models.CheckConstraint(
                condition=~models.Q(lot="", device_identifier=""), name="lot_look_up_of_something"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user} looked up lot {self.lot or 'any'} on {self.looked_up_at:%Y-%m-%d}"


class Draft(models.Model):
    """A page half filled in, kept for who fills it in. Sealed, because it may hold a hospital number."""

    KEPT_FOR = timedelta(days=14)
    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="drafts")
    page = models.CharField(max_length=200)
    sealed = models.TextField()
    saved_at = models.DateTimeField(auto_now=True)

    class Meta:
        constraints: ClassVar = [models.UniqueConstraint(fields=["user", "page"], name="draft_once_a_page")]

    def __str__(self) -> str:
        return f"draft of {self.user} for {self.page}"


class DataVersion(models.Model):
    """How often each writer wrote to the record; the sum is the version that figures were counted from.

    Triggers on every table of the record count (see triggers.py), within the transaction that writes: whoever
    sees a row sees it counted. One row a connection on PostgreSQL, so that nobody waits for another's.
    """

    writer = models.IntegerField(primary_key=True)
    writes = models.BigIntegerField()

    def __str__(self) -> str:
        return f"{self.writes} writes by {self.writer}"
