"""Patient-reported scores: the raw items as answered, and the values worked out from them on entry."""

from typing import Any, ClassVar

from django.core.exceptions import ValidationError
from django.db import models

from registry.models.keeping import STANDING, Entry, standing_index
from registry.models.limits import choice_checks, not_in_future, told
from registry.models.people import Knee
from registry.scoring import INSTRUMENTS, TOTAL, ScaleScore
from registry.vocabulary import AnswerWay, ReoperatedSince


class ScoreResponse(Entry):
    """One form answered once. Items are kept by code; an unanswered item is absent."""

    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="scores")
    answered_on = models.DateField(validators=[not_in_future])
    instrument = models.CharField(max_length=20)
    instrument_version = models.CharField(max_length=20, blank=True, editable=False)
    items: "models.JSONField[dict[str, int], Any]" = models.JSONField(default=dict, blank=True)
    # The value of each scale that could be scored, by code: worked out from the items whenever they are
    # saved, so that the database can count by it.
    scale_values: "models.JSONField[dict[str, float], Any]" = models.JSONField(
        default=dict, blank=True, editable=False
    )
    way = models.CharField("how it came in", max_length=6, choices=AnswerWay, default=AnswerWay.CLINIC)
    reoperated_since = models.CharField(
        max_length=12, choices=ReoperatedSince, default=ReoperatedSince.NOT_ASKED
    )
    PART_OF = ("knee",)

    class Meta:
        ordering: ClassVar = ["answered_on", "pk"]
        indexes: ClassVar = [
            models.Index(fields=["knee", "answered_on"]),
            standing_index(
                "score_known", "knee", "answered_on", also=models.Q(reoperated_since=ReoperatedSince.NO)
            ),
            standing_index(
                "score_operated_again",
                "-answered_on",
                "-id",
                also=models.Q(reoperated_since=ReoperatedSince.YES),
            ),
        ]
        constraints: ClassVar = [
            *choice_checks("score", reoperated_since=ReoperatedSince, way=AnswerWay),
            models.UniqueConstraint(
                fields=["knee", "instrument", "answered_on"],
                condition=STANDING,
                name="score_once_a_day",
                violation_error_message="This form was already answered for this knee on that day.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.instrument} of {told(self.answered_on)}"

    @property
    def total(self) -> float | None:
        """The score of the whole form, unrounded; None where it has none or could not be scored."""
        total: float | None = self.scale_values.get(TOTAL)
        return total

    @property
    def scores(self) -> tuple[ScaleScore, ...]:
        """Every scale of the form as the version it was answered in scores it."""
        return INSTRUMENTS[self.instrument].scores(self.items, self.instrument_version)

    def clean(self) -> None:
        instrument = INSTRUMENTS.get(self.instrument)
        if instrument is None:
            known = ", ".join(INSTRUMENTS)
            raise ValidationError(
                {"instrument": f"'{self.instrument}' is not an instrument here. Choose: {known}."}
            )
        problems = instrument.problems(self.items)
        if problems:
            raise ValidationError({"items": problems})
        self.instrument_version = self.instrument_version or instrument.version
        if self.instrument_version not in instrument.rules:
            known = ", ".join(instrument.rules)
            raise ValidationError(
                {
                    "instrument_version": f"'{self.instrument_version}' is no version of {instrument.name}. "
                    f"Choose: {known}."
                }
            )
        self.scale_values = instrument.values(self.items, self.instrument_version)
