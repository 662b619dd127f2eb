"""What every row of the record has in common: nothing is deleted, every change leaves what stood before.

A row carries its version; each further version has a `Correction` that says who, when, what and why. The
database refuses a change without one, and any deletion (see history_rules.py).
"""

import uuid
from typing import Any, ClassVar, TypeVar

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.utils import timezone

from registry.models.limits import choice_checks
from registry.models.row_checks import RowChecked
from registry.vocabulary import CorrectionKind

_Kept = TypeVar("_Kept", bound="Kept")

# Of uniqueness: a withdrawn row takes no place.
STANDING = models.Q(withdrawn_at__isnull=True)


def standing_index(name: str, *fields: str, also: models.Q | None = None) -> models.Index:
    """An index of the standing rows alone, which the database can answer from without reading the rows."""
    return models.Index(fields=fields, condition=STANDING & also if also else STANDING, name=name)


class Standing(models.Manager[_Kept]):
    """The rows that count: all but those withdrawn."""

    def get_queryset(self) -> models.QuerySet[_Kept]:
        return super().get_queryset().filter(withdrawn_at__isnull=True)


class Kept(RowChecked):
    """Base of every row of the record."""

    version = models.PositiveSmallIntegerField(default=1, editable=False)
    withdrawn_at = models.DateTimeField(null=True, blank=True, editable=False)

    # Foreign keys to the rows this one is part of: it cannot stand when one of them is withdrawn.
    PART_OF: ClassVar[tuple[str, ...]] = ()
    # A place that entries are made about, such as a knee, rather than a part of an entry.
    HOLDS_ENTRIES: ClassVar[bool] = False

    objects = Standing()
    ever = models.Manager()

    class Meta:
        abstract = True

    @property
    def entry(self) -> "Kept":
        """What was entered in one go, and this row is part of: an operation, a visit, a look ..."""
        whole = getattr(self, self.PART_OF[0]) if self.PART_OF else None
        return self if whole is None or whole.HOLDS_ENTRIES else whole.entry

    @property
    def stands(self) -> bool:
        return self.withdrawn_at is None

    def in_the_way(self) -> list[str]:
        """Why this row cannot be withdrawn as things are; empty when it can."""
        return []


class Entry(Kept):
    """Base of what is entered in one go: who entered it and when."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    recorded_at = models.DateTimeField(default=timezone.now, editable=False, db_index=True)
    recorded_by = models.ForeignKey(
        "registry.User", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="+"
    )

    class Meta:
        abstract = True


class Correction(RowChecked):
    """One row changed once: what stood before, what stands since. Never changed itself."""

    # What was done in one go shares its act.
    act = models.UUIDField(default=uuid.uuid4, db_index=True)
    kind = models.CharField(max_length=10, choices=CorrectionKind)
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(
        "registry.User", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    reason = models.CharField(max_length=200)
    patient = models.ForeignKey(
        "registry.Patient", on_delete=models.PROTECT, null=True, blank=True, related_name="corrections"
    )
    # The entry that the row is part of, and the row itself, by table and key.
    entry_table = models.CharField(max_length=40)
    entry_id = models.BigIntegerField()
    row_table = models.CharField(max_length=40)
    row_id = models.BigIntegerField()
    version = models.PositiveSmallIntegerField()
    # Column by column, only what changed.
    before: "models.JSONField[dict[str, Any], Any]" = models.JSONField(
        default=dict, blank=True, encoder=DjangoJSONEncoder
    )
    after: "models.JSONField[dict[str, Any], Any]" = models.JSONField(
        default=dict, blank=True, encoder=DjangoJSONEncoder
    )

    class Meta:
        ordering: ClassVar = ["pk"]
        indexes: ClassVar = [models.Index(fields=["entry_table", "entry_id"])]
        constraints: ClassVar = [
            *choice_checks("correction", kind=CorrectionKind),
            models.CheckConstraint(condition=~models.Q(reason=""), name="correction_has_reason"),
            models.UniqueConstraint(
                fields=["row_table", "row_id", "version"], name="correction_once_a_version"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display().lower()}, {self.row_table} {self.row_id}, version {self.version}"
