"""What is asked before something is done about a review: each act its own short form."""

from collections.abc import Mapping
from datetime import date
from typing import Any, ClassVar, Self

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from registry.models import BookedVisit, Contact, GivenUpReview, Knee, PatientReport
from registry.models.limits import not_in_future, told
from registry.pages.forms.base import RecordForm, Spoken
from registry.vocabulary import AnswerWay, ContactSource, OperatedAgain

Posted = Mapping[str, Any] | None
NOBODY = "nobody"
WORDS = PatientReport.WORDS


class PhoneForm(Spoken, forms.Form):
    """A call, and what the patient said of another operation on the knee."""

    title = "Phone contact"
    WIDE = ("operated_again",)
    contacted_on = forms.DateField(label="Date of the call", validators=[not_in_future])
    operated_again = forms.ChoiceField(
        label="Operated on again on this knee since?",
        widget=forms.RadioSelect,
        choices=[*OperatedAgain.choices, (NOBODY, "Nobody reached")],
    )
    where = forms.CharField(required=False, max_length=200)
    when = forms.CharField(required=False, max_length=200)
    what = forms.CharField(label="What was done", required=False, max_length=200)

    def __init__(self, posted: Posted) -> None:
        super().__init__(
            posted,
            prefix="phone",
            initial={"contacted_on": timezone.localdate()},
            use_required_attribute=False,
        )

    def clean(self) -> dict[str, Any]:
        """Words of an operation go with a yes or a doubt alone."""
        answer, said = self.cleaned_data.get("operated_again"), self.cleaned_data
        if answer in (OperatedAgain.NO, NOBODY):
            for name in (name for name in WORDS if said.get(name)):
                self.add_error(
                    name,
                    f"'{said[name]}' tells of an operation, but the answer is "
                    f"'{dict(self.fields['operated_again'].choices)[answer]}'. "  # type: ignore[attr-defined]
                    "Clear it, or choose Yes or Not sure.",
                )
        return said

    @property
    def reached(self) -> bool:
        answer: str = self.cleaned_data["operated_again"]
        return answer != NOBODY

    def row(self, knee: Knee, time_point: str) -> Contact | PatientReport:
        """A contact where the knee is known not reoperated; else a report to be verified, and no contact."""
        said = self.cleaned_data
        if said["operated_again"] == OperatedAgain.NO:
            return Contact(knee=knee, contacted_on=said["contacted_on"], source=ContactSource.PHONE)
        return PatientReport.sealed(
            {name: said[name] for name in WORDS},
            knee=knee,
            answered_on=said["contacted_on"],
            time_point=time_point,
            way=AnswerWay.CLINIC,
            operated_again=said["operated_again"],
        )


class BookForm(RecordForm):
    """The day on which the patient is to come."""

    title = "Book a visit"

    class Meta:
        model = BookedVisit
        fields = ("booked_for",)

    @classmethod
    def about(cls, knee: Knee, time_point: str, posted: Posted) -> Self:
        visit = BookedVisit(knee=knee, time_point=time_point)
        return cls(posted, prefix="book", instance=visit, use_required_attribute=False)

    def clean_booked_for(self) -> date:
        day: date = self.cleaned_data["booked_for"]
        if day < timezone.localdate():
            raise ValidationError(
                f"{told(day)} is past. A visit is booked for today or later; record a visit that took place."
            )
        return day


class GiveUpForm(RecordForm):
    """Why a review is waited for no longer."""

    title = "Give the review up"

    class Meta:
        model = GivenUpReview
        fields = ("reason",)
        labels: ClassVar = {"reason": "Reason to give up"}

    @classmethod
    def about(cls, knee: Knee, time_point: str, posted: Posted) -> Self:
        given_up = GivenUpReview(knee=knee, time_point=time_point, given_up_on=timezone.localdate())
        return cls(posted, prefix="give-up", instance=given_up, use_required_attribute=False)
