"""What was answered when a soft rule asked: see registry/rules/questions.py."""

from typing import ClassVar

from django.db import models
from django.db.models import Q

from registry.models.followup import SecondLook
from registry.models.keeping import Kept
from registry.models.procedures import IndexProcedure
from registry.models.repairs import Tear


class SoftAnswer(Kept):
    """What was answered when a soft rule asked about an operation or a second look."""

    procedure = models.ForeignKey(
        IndexProcedure, on_delete=models.PROTECT, null=True, blank=True, related_name="soft_answers"
    )
    look = models.ForeignKey(
        SecondLook, on_delete=models.PROTECT, null=True, blank=True, related_name="soft_answers"
    )
    tear = models.ForeignKey(
        Tear, on_delete=models.PROTECT, null=True, blank=True, related_name="soft_answers"
    )
    code = models.SlugField(max_length=60)
    answer = models.CharField(max_length=200)
    PART_OF = ("procedure", "look", "tear")

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(answer=""), name="softanswer_not_empty"),
            models.CheckConstraint(
                condition=Q(procedure__isnull=True, look__isnull=False)
                | Q(procedure__isnull=False, look__isnull=True),
                name="softanswer_of_one_entry",
            ),
        ]

    def __str__(self) -> str:
        return f"answer on {self.code}"

    @property
    def entry(self) -> Kept:
        return self.procedure or self.look  # type: ignore[return-value]
