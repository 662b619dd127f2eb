"""Who belongs to which unit in which role, and who looked at an identity, when and why."""

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
