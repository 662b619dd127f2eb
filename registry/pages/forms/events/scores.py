"""The form of each instrument, item by item, and what its answers come to in words."""

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, Self

from django import forms
from django.db.models import QuerySet
from django.utils.html import escape

from registry.models import Knee, ScoreResponse
from registry.models.limits import between
from registry.pages.forms.base import Group
from registry.pages.forms.events.base import EventForm, FindingForm, Posted
from registry.scoring import INSTRUMENTS, Instrument, Item
from registry.vocabulary import Language
from registry.wordings import wording

NOT_ANSWERED = "Not answered"
NOTHING_ANSWERED = (
    "Nothing is answered on this form. Enter the answers; if you only asked about another operation, "
    "record a contact instead."
)
SIDE_BY_SIDE = 6
VERSION = "version"


class ScoreForm(EventForm):
    """The items of one instrument by code and label; an item left empty was not answered."""

    DATE = "answered_on"
    INSTRUMENT: ClassVar[Instrument]

    class Meta:
        model = ScoreResponse
        fields = ("answered_on", "reoperated_since")
        labels: ClassVar = {"reoperated_since": "Another operation on this knee since?"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        texts = wording(self.INSTRUMENT.code, Language.ENGLISH)
        for item in self.INSTRUMENT.items:
            self.fields[item.code] = _field(item, texts)
            self.initial.setdefault(item.code, self.instance.items.get(item.code))
        if len(self.INSTRUMENT.rules) > 1:
            self.fields[VERSION] = version_field(self.INSTRUMENT)
            self.initial.setdefault(VERSION, self.instance.instrument_version or self.INSTRUMENT.version)

    @classmethod
    def recorded(cls, knee: Knee) -> QuerySet[Any]:
        return super().recorded(knee).filter(instrument=cls.INSTRUMENT.code)

    @classmethod
    def about(cls, knee: Knee, posted: Posted) -> Self:
        return cls(posted, instance=ScoreResponse(knee=knee, instrument=cls.INSTRUMENT.code))

    @property
    def groups(self) -> list[Group]:
        about = [*self.Meta.fields, *([VERSION] if VERSION in self.fields else [])]
        named = {self.title: about, **{group.label: group.items for group in self.INSTRUMENT.groups}}
        # A form of one group may carry its own name as heading.
        named[self.title] = list(dict.fromkeys([*about, *named[self.title]]))
        return [Group(heading, [self[name] for name in names]) for heading, names in named.items()]

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or self.cleaned_data
        self.instance.items = answers_in(said, self.INSTRUMENT)
        self.instance.instrument_version = said.get(VERSION) or self.instance.instrument_version
        return said

    def nothing_told(self, findings: Sequence[FindingForm]) -> str:
        return "" if self.instance.items else NOTHING_ANSWERED

    def outcome(self) -> str:
        return outcome(self.instance)


def score_form(instrument: Instrument) -> type[ScoreForm]:
    """The form of one instrument."""

    class OneInstrument(ScoreForm):
        INSTRUMENT = instrument

    return OneInstrument


def version_field(instrument: Instrument) -> forms.ChoiceField:
    """Which version of the rule scores the answers; asked only where there are several."""
    current, *earlier = instrument.rules
    choices = [
        (current, f"{current}, the current one"),
        *((each, f"{each}, for old data") for each in earlier),
    ]
    return forms.ChoiceField(label="Scored by the rule of", choices=choices, required=False)


def answers_in(said: Mapping[str, Any], instrument: Instrument) -> dict[str, int]:
    """What was answered among cleaned values, by item code; an empty item is absent."""
    values = {item.code: said.get(item.code) for item in instrument.items}
    return {code: value for code, value in values.items() if value is not None}


def outcome(score: ScoreResponse) -> str:
    """How many items are answered and every scale, as sentences."""
    instrument = INSTRUMENTS[score.instrument]
    told = [f"{each.scale.name}: {each}" for each in score.scores]
    if instrument.profile:
        told.insert(0, f"Profile: {instrument.profile(score.items) or 'not complete'}")
    return f"{len(score.items)} of {len(instrument.items)} items answered. {'; '.join(told)}."


def _field(item: Item, texts: Mapping[str, str]) -> forms.Field:
    """One item as staff enter it; the wording that the site loaded stands with it."""
    field = _choice(item, texts) if item.is_choice else _number(item)
    field.label = item.label
    field.help_text = escape(texts.get(item.code, "")) or field.help_text
    return field


def _choice(item: Item, texts: Mapping[str, str]) -> forms.Field:
    """Few answers stand side by side; many are chosen from a list, which opens on none."""
    none, answers = ("", NOT_ANSWERED), [(value, _answer(item, value, texts)) for value in item.allowed]
    few = len(answers) <= SIDE_BY_SIDE
    listed = ", ".join(map(str, item.allowed))
    return forms.TypedChoiceField(
        choices=[*answers, none] if few else [none, *answers],
        coerce=int,
        empty_value=None,
        required=False,
        widget=forms.RadioSelect(attrs={"class": "answers"}) if few else forms.Select,
        error_messages={"invalid_choice": f"%(value)s is none of its values. Choose one of {listed}."},
    )


def _number(item: Item) -> forms.Field:
    low, high = min(item.allowed), max(item.allowed)
    return forms.IntegerField(
        required=False,
        validators=between(low, high, item.label),
        widget=forms.NumberInput(attrs={"min": low, "max": high, "inputmode": "numeric"}),
        error_messages={"invalid": f"Enter a whole number from {low} to {high}, or leave it empty."},
        help_text=f"{low} to {high}",
    )


def _answer(item: Item, value: int, texts: Mapping[str, str]) -> str:
    text = texts.get(f"{item.code}={value}")
    return f"{value}: {text}" if text else str(value)
