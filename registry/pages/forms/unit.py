"""Forms of a unit: its settings, its follow-up plan, its surgeons and their grades."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import groupby, pairwise
from typing import Any, ClassVar
from zoneinfo import available_timezones

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Q, QuerySet

from registry.models import GradePeriod, Membership, PlannedTimePoint, Surgeon, Unit, User
from registry.pages.forms.base import Groups, RecordForm, Spoken, fields_of
from registry.pages.forms.saving import Entry
from registry.recording import Act, correct
from registry.rules.schedule import DEFAULT_PLAN, PlannedReview
from registry.scoring import INSTRUMENTS
from registry.vocabulary import Role, TimePoint

Posted = Mapping[str, Any] | None

NO_ZONE = "%(value)s is no time zone of the time-zone database. Choose one of the list."
CODE_TAKEN = (
    "Code {code} is another surgeon's, here or in another unit. Choose another code. To take a surgeon of "
    "another unit into this one, have them appointed (manage.py appoint)."
)
NO_ACCOUNT = (
    "This account is not that of a surgeon of this unit, or is another surgeon's already. "
    "Choose one of the list."
)
OVERLAP = (
    "The window of {} begins on day {}, before that of {} has ended on day {}. Let one of them be due on "
    "another day, or make its window narrower."
)
BOTH = "A review needs the day it is due and its window. Enter both, or leave both empty to leave it out."


SETTINGS: Groups = {
    "Unit": ("name", "time_zone"),
    "Entry and results": ("late_entry_after_days", "smallest_count_shown", "lead_sees_surgeon_results"),
    "Follow-up": ("ligament_restarts_reviews",),
    "Limits": ("hka_limit_deg", "healed_cleft_below_percent", "failed_cleft_from_percent"),
}


@cache
def time_zones() -> list[tuple[str, Any]]:
    """UTC and every zone that is named by region and place, grouped by region as a select shows it."""
    named = sorted(zone for zone in available_timezones() if "/" in zone and not zone.startswith("Etc/"))
    regions = groupby(named, key=lambda zone: zone.partition("/")[0])
    return [("UTC", "UTC"), *((region, [(zone, zone) for zone in zones]) for region, zones in regions)]


class SettingsForm(RecordForm):
    """What a unit sets for itself. Its code never changes."""

    title = "Settings"
    GROUPS = SETTINGS

    class Meta:
        model = Unit
        fields = fields_of(SETTINGS)
        help_texts: ClassVar = {
            "smallest_count_shown": "A smaller count is not told to who does not see the record.",
            "late_entry_after_days": "An operation entered later counts from the day it was entered.",
            "ligament_restarts_reviews": "Of a staged repair the reviews count from the ligament operation "
            "once that is on record.",
            "hka_limit_deg": "Varus beyond it lies outside the usual. For audit: it decides no treatment.",
            "failed_cleft_from_percent": "Between the two limits a second look counts as partly healed.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = forms.ChoiceField(choices=time_zones(), error_messages={"invalid_choice": NO_ZONE})
        self.fields["time_zone"] = field
        if not field.valid_value(self.instance.time_zone):
            field.choices = [(self.instance.time_zone, self.instance.time_zone), *time_zones()]


class SurgeonForm(RecordForm):
    """A surgeon of the unit. The account is offered from the unit's own surgeons."""

    title = "Surgeon"

    class Meta:
        model = Surgeon
        fields: tuple[str, ...] = ("name", "user", "independent_since")
        labels: ClassVar = {"user": "Account", "independent_since": "Independent practice since"}
        help_texts: ClassVar = {"user": "Who signs in with it sees this surgeon's own results."}

    def __init__(self, accounts: QuerySet[User] | None, *args: Any, **kwargs: Any) -> None:
        """Without accounts to choose from, the account is not to be changed."""
        super().__init__(*args, **kwargs)
        if accounts is None:
            del self.fields["user"]
        else:
            self.fields["user"].queryset = accounts  # type: ignore[attr-defined]
            self.fields["user"].error_messages["invalid_choice"] = NO_ACCOUNT


class NewSurgeonForm(SurgeonForm):
    """A surgeon not on record yet."""

    class Meta(SurgeonForm.Meta):
        fields = ("code", *SurgeonForm.Meta.fields)
        help_texts: ClassVar = {
            **SurgeonForm.Meta.help_texts,
            "code": "Shown to other units in place of the name. It does not change later.",
        }

    def clean_code(self) -> str:
        code: str = self.cleaned_data["code"]
        if Surgeon.ever.filter(code=code).exists():
            raise ValidationError(CODE_TAKEN.format(code=code))
        return code


class GradeForm(RecordForm):
    """From when a surgeon held a grade."""

    title = "Grade"

    class Meta:
        model = GradePeriod
        fields = ("grade", "since")
        help_texts: ClassVar = {"since": "It holds until the next one."}


@dataclass
class RowPage:
    """One row on a page of corrections."""

    form: RecordForm

    @property
    def forms(self) -> list[Spoken]:
        return [self.form]

    @property
    def has_changed(self) -> bool:
        return self.form.has_changed()

    def is_valid(self) -> bool:
        return self.form.is_valid()

    def entries(self) -> list[Entry]:
        return [(self.form, self.form.instance)]

    def correct(self, act: Act, seen: int) -> None:
        correct(self.form.instance, act=act, seen=seen)


class ReviewForm(Spoken, forms.Form):
    """One review of a follow-up plan; left empty, the plan goes without it."""

    due_day = forms.IntegerField(
        label="Due on day",
        required=False,
        validators=PlannedTimePoint._meta.get_field("due_day").validators,
    )
    window_days = forms.IntegerField(
        label="Window each way (days)",
        required=False,
        validators=PlannedTimePoint._meta.get_field("window_days").validators,
    )
    instruments = forms.MultipleChoiceField(
        label="Forms the patient is asked to answer",
        choices=[(code, instrument.name) for code, instrument in INSTRUMENTS.items()],
        widget=forms.CheckboxSelectMultiple,
        required=False,
        help_text="With none of them the patient is asked only about another operation and warning signs.",
    )

    def __init__(self, usual: PlannedReview, planned: PlannedReview | None, posted: Posted) -> None:
        """A review as it is planned; one that is not is offered with the forms that are `usual` then."""
        self.time_point = TimePoint(usual.code)
        self.title = self.time_point.label
        known: dict[str, Any] = {"instruments": list((planned or usual).instruments)}
        if planned:
            known |= {"due_day": planned.due_day, "window_days": planned.window_days}
        super().__init__(posted, prefix=usual.code, initial=known)

    def clean(self) -> dict[str, Any]:
        said = self.cleaned_data
        if not self.errors and (said["due_day"] is None) != (said["window_days"] is None):
            self.add_error("due_day" if said["due_day"] is None else "window_days", BOTH)
        return said

    @property
    def planned(self) -> PlannedReview | None:
        """The review as typed, once it is valid."""
        said = self.cleaned_data
        if said["due_day"] is None:
            return None
        asked = tuple(code for code in INSTRUMENTS if code in said["instruments"])
        return PlannedReview(self.time_point, said["due_day"], said["window_days"], asked)

    @property
    def asks(self) -> str:
        """The forms that are ticked, by name."""
        return names_of(self["instruments"].value())


def review_forms(plan: Sequence[PlannedReview], posted: Posted) -> list[ReviewForm]:
    """A form for each time point that can be planned, in order."""
    planned = {review.code: review for review in plan}
    return [ReviewForm(usual, planned.get(usual.code), posted) for usual in DEFAULT_PLAN]


def names_of(instruments: Iterable[str]) -> str:
    """Instruments by name, in the order of the table; "none" without any."""
    chosen = set(instruments)
    return ", ".join(each.name for code, each in INSTRUMENTS.items() if code in chosen) or "none"


def refuse_overlaps(reviews: Sequence[ReviewForm]) -> None:
    """Say on the later of two reviews that their windows meet: a day belongs to one review at most."""
    planned = [(form, review) for form in reviews if (review := form.planned)]
    for (form_before, before), (form, review) in pairwise(planned):
        last, first = before.due_day + before.window_days, review.due_day - review.window_days
        if first <= last:
            words = OVERLAP.format(form.title, first, form_before.title, last)
            form.add_error("due_day", words)


def accounts_for(unit: Unit, surgeon: Surgeon) -> QuerySet[User]:
    """The accounts of surgeons of a unit that are no other surgeon's, and the one the surgeon has."""
    surgeons = Membership.objects.filter(unit=unit, role=Role.SURGEON).values("user")
    taken = Surgeon.ever.filter(user__isnull=False).exclude(pk=surgeon.pk).values("user")
    free = Q(pk__in=surgeons, is_active=True) & ~Q(pk__in=taken)
    return User.objects.filter(free | Q(pk=surgeon.user_id)).order_by("username")
