"""How people get in: invitations, sessions, second factors, and what happened to an account.

Working data around the record, not part of it.
"""

import uuid
from typing import Any, ClassVar

from django.contrib.sessions.base_session import AbstractBaseSession
from django.db import models
from django.utils import timezone
from django_otp.models import Device, ThrottlingMixin

from registry.models.limits import choice_checks
from registry.models.people import Unit, User


class Invitation(models.Model):
    """A way in for one person, once: to a new account, or back into their own with a new password.

    Of the link only a digest is kept.
    """

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    # SHA-256 of the token, in hexadecimal: the token is 256 random bits, so no slow digest is needed.
    digest = models.CharField(max_length=64, unique=True, editable=False)
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="invitations")
    # Codes of registry.vocabulary.Role, given when a new account is made; none for a way back.
    roles: "models.JSONField[list[str], Any]" = models.JSONField(default=list, blank=True)
    # Whose account it leads back into; none while it is for somebody new.
    person = models.ForeignKey(
        User, on_delete=models.CASCADE, null=True, blank=True, related_name="invitations"
    )
    # Who is meant, in words of whoever invites.
    label = models.CharField("who is invited", max_length=80)
    made_by = models.ForeignKey(User, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True, editable=False)
    taken_back_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        ordering: ClassVar = ["-made_at", "-pk"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=models.Q(expires_at__gt=models.F("made_at")), name="invitation_expires_after_made"
            )
        ]

    def __str__(self) -> str:
        return f"invitation of {self.label} to {self.unit}"


class BrowserSession(AbstractBaseSession):
    """One session, with what its person needs to recognise it and end it."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, null=True, related_name="browser_sessions")
    # Names the session on pages, where its key must never stand.
    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    began_at = models.DateTimeField(default=timezone.now)
    seen_at = models.DateTimeField(default=timezone.now)
    address = models.GenericIPAddressField(null=True, blank=True)
    browser = models.CharField(max_length=120, blank=True)

    class Meta(AbstractBaseSession.Meta):
        verbose_name = "session"
        verbose_name_plural = "sessions"

    @classmethod
    def get_session_store_class(cls) -> Any:
        from registry.signing_in.sessions import SessionStore

        return SessionStore


class SecondFactor(ThrottlingMixin, Device):
    """A person's generator of time-based codes (RFC 6238); its key is sealed.

    One a person, and none before a first code of it was given.
    """

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    sealed_key = models.TextField()
    # The time step of the last code that was taken, so that none is taken twice.
    last_step = models.BigIntegerField(default=-1)
    made_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        constraints: ClassVar = [models.UniqueConstraint(fields=["user"], name="second_factor_once_a_person")]

    def __str__(self) -> str:
        return f"second factor of {self.user}"

    def get_throttle_factor(self) -> int:
        """Seconds without codes after the first wrong one; django-otp doubles them at each more."""
        return 1

    def verify_token(self, token: str) -> bool:
        """Whether this is a code of now that was not used yet."""
        from registry.signing_in.second_factor import takes

        return takes(self, token)


class RecoveryCode(models.Model):
    """One code, good for one sign-in without the second factor. Only a digest is kept."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="recovery_codes")
    digest = models.CharField(max_length=64)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    used_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["user", "digest"], name="recovery_code_once_a_person")
        ]

    def __str__(self) -> str:
        return f"recovery code of {self.user}"


class AccountEventKind(models.TextChoices):
    """What can happen to an account."""

    SIGNED_IN = "signed_in", "Signed in"
    SIGNED_OUT = "signed_out", "Signed out"
    REFUSED = "refused", "Sign-in refused"
    HELD_OFF = "held_off", "Sign-in held off after too many tries"
    CONFIRMED = "confirmed", "Confirmed who it is"
    PASSWORD_SET = "password_set", "Password set"
    FACTOR_SET = "factor_set", "Second factor set up"
    FACTOR_TAKEN_OFF = "factor_taken_off", "Second factor taken off"
    CODES_MADE = "codes_made", "Recovery codes made"
    CODE_USED = "code_used", "Recovery code used"
    KEY_MADE = "key_made", "Access key made"
    KEY_TAKEN_BACK = "key_taken_back", "Access key taken back"
    SESSION_ENDED = "session_ended", "Session ended from elsewhere"
    INVITED = "invited", "Invited"
    INVITATION_USED = "invitation_used", "Invitation used"
    ROLE_GIVEN = "role_given", "Role given"
    ROLE_TAKEN = "role_taken", "Role taken"
    CLOSED = "closed", "Account closed"
    OPENED = "opened", "Account opened again"


class AccountEvent(models.Model):
    """One thing that happened to an account; whose name was typed but is not known has no entry here."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="account_events")
    kind = models.CharField(max_length=20, choices=AccountEventKind)
    at = models.DateTimeField(default=timezone.now, db_index=True)
    # Who did it, where that was somebody else.
    by = models.ForeignKey(User, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    # Which role, unit or access key, where the kind leaves that open.
    about = models.CharField(max_length=200, blank=True)
    address = models.GenericIPAddressField(null=True, blank=True)
    browser = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering: ClassVar = ["-at", "-pk"]
        constraints: ClassVar = [*choice_checks("account_event", kind=AccountEventKind)]

    def __str__(self) -> str:
        return f"{self.user}: {self.get_kind_display().lower()}"
