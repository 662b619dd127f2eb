"""Personal links that patients answer by, what was sent, who knocked, and the wording a site loaded.

Working data around the record, not part of it: nothing here enters a figure.
"""

import uuid
from datetime import datetime
from typing import Any, ClassVar

from django.db import models
from django.utils import timezone

from registry.models.limits import choice_checks
from registry.models.people import Knee, User
from registry.models.reports import PatientReport
from registry.vocabulary import Language, MessageKind, MessageState, Reminding, TimePoint

TRIES = 5


class PatientLink(models.Model):
    """One review of one knee, to be answered once by whoever holds the link and knows the year of birth."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="links")
    time_point = models.CharField(max_length=10, choices=TimePoint)
    # Codes of the instruments asked, in order.
    instruments: "models.JSONField[list[str], Any]" = models.JSONField(default=list, blank=True)
    language = models.CharField(max_length=2, choices=Language)
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    expires_at = models.DateTimeField()
    wrong_tries = models.PositiveSmallIntegerField(default=0)
    # Answers so far, sealed: {"report": {...}, "items": {instrument: {code: value}}}.
    answers_sealed = models.TextField(blank=True)
    report = models.OneToOneField(
        PatientReport, on_delete=models.PROTECT, null=True, blank=True, related_name="link"
    )
    finished_at = models.DateTimeField(null=True, blank=True)
    taken_back_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["-made_at", "-pk"]
        indexes: ClassVar = [models.Index(fields=["knee", "time_point"])]
        constraints: ClassVar = [
            *choice_checks("link", time_point=TimePoint, language=Language),
            models.CheckConstraint(condition=models.Q(wrong_tries__lte=TRIES), name="link_tries_at_most"),
        ]

    def __str__(self) -> str:
        return f"link of {self.knee} made on {self.made_at:%Y-%m-%d}"

    @property
    def is_locked(self) -> bool:
        return self.wrong_tries >= TRIES

    def is_open(self, now: datetime) -> bool:
        """Whether it can still be answered: in time, not finished, locked or taken back."""
        ended = self.finished_at or self.taken_back_at or self.is_locked
        return not ended and now < self.expires_at


class Message(models.Model):
    """One message to a patient: claimed before it is sent, so that nobody gets the same one twice.

    Addresses are not kept here.
    """

    link = models.ForeignKey(PatientLink, on_delete=models.PROTECT, related_name="messages")
    kind = models.CharField(max_length=13, choices=MessageKind)
    channel = models.CharField(max_length=5, choices=Reminding)
    state = models.CharField(max_length=11, choices=MessageState, default=MessageState.CLAIMED)
    claimed_at = models.DateTimeField(default=timezone.now)
    claimed_by = models.UUIDField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    problem = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar = ["-claimed_at", "-pk"]
        constraints: ClassVar = [
            *choice_checks("message", kind=MessageKind, channel=Reminding, state=MessageState),
            models.UniqueConstraint(fields=["link", "kind"], name="message_once_a_link"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display().lower()} by {self.get_channel_display().lower()}"


class KnockCount(models.Model):
    """How often one address, told by a keyed digest, asked for patients' pages within one span of time."""

    address_index = models.CharField(max_length=64)
    since = models.DateTimeField()
    knocks = models.PositiveIntegerField(default=0)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["address_index", "since"], name="knocks_once_a_span")
        ]

    def __str__(self) -> str:
        return f"{self.knocks} since {self.since:%Y-%m-%d %H:%M}"


class Wording(models.Model):
    """The wording of one item of one instrument in one language, loaded by the site under its own licence.

    `code` is the item's; "" is the instrument's own heading, "CODE=VALUE" one answer of an item.
    """

    instrument = models.CharField(max_length=20)
    language = models.CharField(max_length=2, choices=Language)
    code = models.CharField(max_length=40, blank=True)
    text = models.TextField()
    loaded_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints: ClassVar = [
            *choice_checks("wording", language=Language),
            models.UniqueConstraint(fields=["instrument", "language", "code"], name="wording_once_an_item"),
        ]

    def __str__(self) -> str:
        return f"{self.instrument} {self.code} ({self.language})"
