"""A paper form keyed in: the patient's report and the answers, and what two passes differ in."""

from typing import Any, ClassVar

from django import forms
from django.core.exceptions import ValidationError

from registry.models import Knee, PatientReport, ScoreResponse
from registry.models.limits import not_in_future, told
from registry.pages.forms.base import Group, Groups, Spoken
from registry.pages.forms.events.clinic import BY_ITS_DATE, point_on
from registry.pages.forms.events.scores import NOT_ANSWERED, VERSION, answers_in, version_field
from registry.pages.forms.saving import Entry
from registry.scoring import Instrument, Item
from registry.vocabulary import AnswerWay, OperatedAgain, ReoperatedSince, TimePoint

# A form as it was keyed in, by field: the text that a page would send.
Typed = dict[str, str]

BEFORE_OPERATION = (
    "{day} lies before the first operation ({first}): nobody was operated on again then. Correct the date, "
    "or leave the question not answered and the signs unticked."
)
SIGNS_ALONE = (
    "A warning sign is ticked, so the report has to be kept. Where the sheet leaves this question open, "
    "choose 'Not sure': the patient is asked again."
)
WORDS_ALONE = "Something is told of an operation. Choose 'Yes' or 'Not sure', or clear those words."


class KeyedForm(Spoken, forms.Form):
    """Everything that a paper form asks, in its order; an item left empty was not answered."""

    title = "Sheet"
    answered_on = forms.DateField(label="Date of the answers", validators=[not_in_future])
    time_point = forms.ChoiceField(
        label="Review", choices=[("", BY_ITS_DATE), *TimePoint.choices], required=False
    )
    operated_again = forms.ChoiceField(
        label="Operated on again?",
        choices=[("", NOT_ANSWERED), *OperatedAgain.choices],
        required=False,
        widget=forms.RadioSelect,
    )
    where = forms.CharField(required=False, max_length=200)
    when = forms.CharField(required=False, max_length=200)
    what = forms.CharField(label="What was done", required=False, max_length=200)
    fever = forms.BooleanField(required=False)
    calf_pain = forms.BooleanField(label="Painful or swollen calf", required=False)
    locked_knee = forms.BooleanField(required=False)
    GROUPS: ClassVar[Groups] = {
        "Sheet": ("answered_on", "time_point"),
        "Another operation on this knee": ("operated_again", *PatientReport.WORDS),
        "Warning signs ticked": PatientReport.SIGNS,
    }

    report: PatientReport | None
    score: ScoreResponse

    def __init__(self, knee: Knee, instrument: Instrument, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, use_required_attribute=False, **kwargs)
        self.knee, self.instrument = knee, instrument
        for item in instrument.items:
            self.fields[item.code] = _field(item)
        if len(instrument.rules) > 1:
            self.fields[VERSION] = version_field(instrument)

    @property
    def groups(self) -> list[Group]:
        """What comes before the items."""
        version = [self[VERSION]] if VERSION in self.fields else []
        first, *others = super().groups
        return [Group(first.heading, [*first.fields, *version]), *others]

    @property
    def items(self) -> list[Group]:
        """The items by heading, in the order of the paper."""
        return [Group(group.label, [self[code] for code in group.items]) for group in self.instrument.groups]

    @property
    def typed(self) -> Typed:
        """What was keyed in, so that it can be keyed in again, compared, and taken up."""
        return {name: _plain(value) for name, value in self.cleaned_data.items()}

    @property
    def entries(self) -> list[Entry]:
        """The rows to record: the report, where there is one, and the answers."""
        return [(self, row) for row in (self.report, self.score) if row]

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or self.cleaned_data
        if not self.errors:
            self._refuse_half_a_report()
        if not self.errors:
            self.report, self.score = self._report(), self._score()
            self._refuse_what_breaks_a_rule()
        return said

    def _refuse_half_a_report(self) -> None:
        said = self.cleaned_data
        signs = any(said[name] for name in PatientReport.SIGNS)
        words = any(said[name] for name in PatientReport.WORDS)
        first = self.knee.procedures.order_by("operated_on").values_list("operated_on", flat=True).first()
        if (said["operated_again"] or signs) and first and said["answered_on"] < first:
            words_of = BEFORE_OPERATION.format(day=told(said["answered_on"]), first=told(first))
            self.add_error("answered_on", words_of)
        elif words and said["operated_again"] in ("", OperatedAgain.NO):
            self.add_error("operated_again", WORDS_ALONE)
        elif signs and not said["operated_again"]:
            self.add_error("operated_again", SIGNS_ALONE)
        elif not answers_in(said, self.instrument):
            self.add_error(None, "No item is answered. Key in the answers of the sheet.")

    def _refuse_what_breaks_a_rule(self) -> None:
        """Ask the rows now, so that nobody keys in twice what cannot be recorded."""
        for _, row in self.entries:
            try:
                row.full_clean()
            except ValidationError as error:
                for name, errors in error.update_error_dict({}).items():
                    self.add_error(name if name in self.fields else None, errors)

    def _report(self) -> PatientReport | None:
        """The patient's word, unless the question was left open."""
        said = self.cleaned_data
        if not said["operated_again"]:
            return None
        return PatientReport.sealed(
            {name: said[name] for name in PatientReport.WORDS},
            knee=self.knee,
            answered_on=said["answered_on"],
            time_point=said["time_point"] or point_on(self.knee, said["answered_on"]),
            way=AnswerWay.PAPER,
            operated_again=said["operated_again"],
            **{name: said[name] for name in PatientReport.SIGNS},
        )

    def _score(self) -> ScoreResponse:
        said = self.cleaned_data
        # The report carries the answer to the question on another operation; left open, none does.
        asked = ReoperatedSince.NOT_ASKED if said["operated_again"] else ReoperatedSince.NO_ANSWER
        return ScoreResponse(
            knee=self.knee,
            answered_on=said["answered_on"],
            instrument=self.instrument.code,
            instrument_version=said.get(VERSION) or "",
            items=answers_in(said, self.instrument),
            way=AnswerWay.PAPER,
            reoperated_since=asked,
        )


class SettlingForm(Spoken, forms.Form):
    """What two passes differ in, side by side; each is settled by looking at the sheet."""

    title = "Differences"

    def __init__(self, keyed: KeyedForm, first: Typed, second: Typed, posted: Any = None) -> None:
        super().__init__(posted, prefix="settle", use_required_attribute=False)
        self._passes = (first, second)
        for name in fields_of_keyed(keyed):
            if first.get(name) != second.get(name):
                self.fields[name] = forms.ChoiceField(
                    label=keyed[name].label,
                    choices=[
                        (f"{number}", f"{each} time: {_shown(keyed, name, typed.get(name, ''))}")
                        for number, (each, typed) in enumerate((("First", first), ("Second", second)))
                    ],
                    widget=forms.RadioSelect,
                    error_messages={"required": "Look at the sheet and choose what stands there."},
                )

    @property
    def settled(self) -> Typed:
        """The form on which both passes agree now."""
        return {
            **self._passes[0],
            **{name: self._passes[int(chosen)].get(name, "") for name, chosen in self.cleaned_data.items()},
        }


def fields_of_keyed(keyed: KeyedForm) -> list[str]:
    """Every field in the order of the sheet."""
    return [field.name for group in (*keyed.groups, *keyed.items) for field in group.fields]


def _field(item: Item) -> forms.Field:
    """One item as a narrow field for digits, beside its code."""
    low, high = min(item.allowed), max(item.allowed)
    allowed = " ".join(map(str, item.allowed))
    told_as = ", ".join(map(str, item.allowed)) if item.is_choice else f"whole numbers from {low} to {high}"
    digits = {
        "class": "digits",
        "inputmode": "numeric",
        "autocomplete": "off",
        "size": len(str(high)),
        "data-allowed": allowed,
    }
    return forms.TypedChoiceField(
        label=item.label if item.code == item.label.casefold() else f"{item.code}: {item.label}",
        choices=[(value, value) for value in item.allowed],
        coerce=int,
        empty_value=None,
        required=False,
        widget=forms.TextInput(attrs=digits),
        error_messages={
            "invalid_choice": f"%(value)s is none of its values: {told_as}. Correct it, or leave it empty."
        },
    )


def _plain(value: Any) -> str:
    """A cleaned value as the page would send it."""
    if value is None or value is False:
        return ""
    return "on" if value is True else str(value)


def _shown(keyed: KeyedForm, name: str, value: str) -> str:
    field = keyed.fields[name]
    if isinstance(field, forms.BooleanField):
        return "Ticked" if value else "Not ticked"
    if not value:
        return NOT_ANSWERED
    return str(dict(getattr(field, "choices", ())).get(value, value))
