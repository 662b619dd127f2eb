"""What patients tell and what was done about a planned review: reports, visits booked, reviews given up."""

from typing import ClassVar

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q

from registry import sealing
from registry.models.followup import KneeEvent, Reoperation
from registry.models.keeping import STANDING, Entry, standing_index
from registry.models.limits import choice_checks, not_in_future, told
from registry.models.people import Knee
from registry.models.procedures import IndexProcedure
from registry.vocabulary import AnswerWay, GivenUpReason, OperatedAgain, TimePoint

_TOLD_NO = Q(operated_again=OperatedAgain.NO)


class PatientReport(KneeEvent):
    """A patient's word on another operation on this knee, and on signs that need a doctor now.

    "No" is what moves the last-known-well date. Anything else is to be verified: it is confirmed by naming a
    reoperation or a later operation on record, which then counts by itself, or set aside with a reason.
    """

    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="reports")
    answered_on = models.DateField("date of the answer", validators=[not_in_future])
    time_point = models.CharField(max_length=10, choices=TimePoint, default=TimePoint.UNPLANNED)
    way = models.CharField("how it came in", max_length=6, choices=AnswerWay, default=AnswerWay.CLINIC)
    operated_again = models.CharField("operated on again", max_length=6, choices=OperatedAgain)
    # The patient's own words may name places and people, so they are sealed.
    where_sealed = models.TextField("where", blank=True)
    when_sealed = models.TextField("when", blank=True)
    what_sealed = models.TextField("what", blank=True)
    fever = models.BooleanField(default=False)
    calf_pain = models.BooleanField("painful or swollen calf", default=False)
    locked_knee = models.BooleanField("locked knee", default=False)
    signs_seen_to = models.BooleanField("warning signs seen to", default=False)
    reoperation = models.ForeignKey(
        Reoperation, on_delete=models.PROTECT, null=True, blank=True, related_name="reports"
    )
    operation = models.ForeignKey(
        IndexProcedure, on_delete=models.PROTECT, null=True, blank=True, related_name="reports"
    )
    no_reoperation_because = models.CharField("no reoperation, because", max_length=200, blank=True)
    DATE_FIELD = "answered_on"
    WORDS: ClassVar = ("where", "when", "what")
    SIGNS: ClassVar = ("fever", "calf_pain", "locked_knee")

    class Meta:
        ordering: ClassVar = ["answered_on", "pk"]
        indexes: ClassVar = [
            models.Index(fields=["knee", "answered_on"]),
            standing_index("report_known", "knee", "answered_on", also=_TOLD_NO),
            standing_index("report_operated_again", "-answered_on", "-id", also=~_TOLD_NO),
        ]
        constraints: ClassVar = [
            *choice_checks("report", time_point=TimePoint, way=AnswerWay, operated_again=OperatedAgain),
            models.CheckConstraint(
                condition=~Q(operated_again=OperatedAgain.NO)
                | Q(reoperation=None, operation=None, no_reoperation_because=""),
                name="report_of_none_is_not_verified",
                violation_error_message="The patient told of no operation, so there is none to verify.",
            ),
            models.CheckConstraint(
                condition=Q(reoperation=None, operation=None)
                | Q(reoperation=None, no_reoperation_because="")
                | Q(operation=None, no_reoperation_because=""),
                name="report_verified_one_way",
                violation_error_message="It is confirmed by one operation, or set aside. Choose one of them.",
            ),
        ]

    def __str__(self) -> str:
        return f"patient's report of {told(self.answered_on)}"

    def clean(self) -> None:
        """What confirms a report is an operation on the same knee, no later than the patient told of it."""
        super().clean()
        for name in ("reoperation", "operation"):
            found: Reoperation | IndexProcedure | None = getattr(self, name)
            if found is None:
                continue
            if not found.stands:
                raise ValidationError({name: f"The {found} was withdrawn. Choose one that stands."})
            if found.knee_id != self.knee_id:
                raise ValidationError({name: "That operation was on another knee. Choose one of this knee."})
            if self.answered_on and found.operated_on > self.answered_on:
                raise ValidationError(
                    {
                        name: f"That operation ({told(found.operated_on)}) came after the patient's answer "
                        f"({told(self.answered_on)}). Choose an earlier one."
                    }
                )

    @classmethod
    def sealed(cls, words: dict[str, str], **fields: object) -> "PatientReport":
        """An unsaved report whose `words` (keys as WORDS) are sealed."""
        kept = {f"{name}_sealed": sealing.seal(words.get(name, "")) for name in cls.WORDS}
        return cls(**kept, **fields)

    def opened(self) -> dict[str, str]:
        """The patient's words, plain, by name."""
        return {name: sealing.unseal(getattr(self, f"{name}_sealed")) for name in self.WORDS}

    @property
    def confirmed_by(self) -> Reoperation | IndexProcedure | None:
        """The operation on record that the patient meant."""
        return self.reoperation or self.operation

    @property
    def signs(self) -> list[str]:
        """The warning signs told, by name of the field."""
        return [name for name in self.SIGNS if getattr(self, name)]


class GivenUpReview(KneeEvent):
    """One planned review that is waited for no longer. It holds for the reviews that run on that day."""

    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="given_up_reviews")
    given_up_on = models.DateField(validators=[not_in_future])
    time_point = models.CharField(max_length=10, choices=TimePoint)
    reason = models.CharField(max_length=12, choices=GivenUpReason)
    DATE_FIELD = "given_up_on"

    class Meta:
        ordering: ClassVar = ["given_up_on", "pk"]
        constraints: ClassVar = [
            *choice_checks("given_up", time_point=TimePoint, reason=GivenUpReason),
            models.UniqueConstraint(
                fields=["knee", "time_point", "given_up_on"],
                condition=STANDING,
                name="given_up_once_a_day",
                violation_error_message="This review was given up already that day.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_time_point_display()} review given up on {told(self.given_up_on)}"


class BookedVisit(Entry):
    """A day on which the patient is to come; it may lie in the future. A later death leaves it as it is."""

    knee = models.ForeignKey(Knee, on_delete=models.PROTECT, related_name="booked_visits")
    booked_for = models.DateField("date of the visit")
    time_point = models.CharField(max_length=10, choices=TimePoint, default=TimePoint.UNPLANNED)
    PART_OF = ("knee",)

    class Meta:
        ordering: ClassVar = ["booked_for", "pk"]
        constraints: ClassVar = [
            *choice_checks("booked", time_point=TimePoint),
            models.UniqueConstraint(
                fields=["knee", "booked_for"],
                condition=STANDING,
                name="booked_once_a_day",
                violation_error_message="A visit of this knee is booked for that day already.",
            ),
        ]

    def __str__(self) -> str:
        return f"visit booked for {told(self.booked_for)}"

    def clean(self) -> None:
        """Nobody is booked for a day after their death."""
        died_on = self.knee.patient.died_on
        if self.booked_for and died_on and self.booked_for > died_on:
            raise ValidationError(
                {"booked_for": f"The patient died on {told(died_on)}. Leave the visit unbooked."}
            )
