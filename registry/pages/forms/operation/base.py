"""What the forms of an operation have in common: sections, and fields that only some operations call for."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from django import forms
from django.core.exceptions import ValidationError
from django.forms.boundfield import BoundField

from registry.pages.forms.base import RecordForm, Spoken

Posted = Mapping[str, Any] | None
# Said of nothing yet, by the controls that open on a word for it.
UNDECIDED = (None, "", "unknown", "not_assessed")


@dataclass(frozen=True, slots=True)
class Placed:
    """A field in its place: shown `only` with something else, `taken` over from an operation before."""

    field: BoundField
    only: str
    taken: bool


@dataclass(frozen=True, slots=True)
class Section:
    """Fields under one heading; the less usual ones are folded away until one of them says something."""

    heading: str
    fields: list[Placed]
    folded: bool = False

    @property
    def is_open(self) -> bool:
        return any(placed.field.errors or _says_something(placed.field) for placed in self.fields)


@dataclass(frozen=True, slots=True)
class Heading:
    """Which fields stand under a heading."""

    text: str
    names: tuple[str, ...]
    folded: bool = False


Headings = Mapping[str, Heading]


def names_under(headings: Headings) -> list[str]:
    """Every field that some heading shows, in the order of the page."""
    return [name for heading in headings.values() for name in heading.names]


class Sectioned(Spoken):
    """A form laid out in sections that the page's template names."""

    HEADINGS: ClassVar[Headings] = {}
    # What a field is called for by, as the style sheet and `holding` name it.
    ONLY: ClassVar[Mapping[str, str]] = {}
    taken: Collection[str] = ()

    @property
    def sections(self) -> dict[str, Section]:
        return {
            key: Section(
                heading.text,
                [self._placed(name) for name in heading.names if name in self.fields],
                heading.folded,
            )
            for key, heading in self.HEADINGS.items()
        }

    def _placed(self, name: str) -> Placed:
        return Placed(self[name], self.ONLY.get(name, ""), name in self.taken)


class SectionedRecordForm(Sectioned, RecordForm):
    """A form over one row. What is not called for is not shown: neither kept nor complained about."""

    def holding(self, said: Mapping[str, Any]) -> set[str]:
        """What holds of the values, of all that a field may be called for by."""
        return set()

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or self.cleaned_data
        for name in self.left_out(said):
            self.errors.pop(name, None)
            said[name] = self._meta.model._meta.get_field(name).get_default()
        return said

    def left_out(self, said: Mapping[str, Any]) -> list[str]:
        """The fields that the values do not call for."""
        holding = self.holding(said)
        return [name for name, condition in self.ONLY.items() if condition not in holding]

    @property
    def values(self) -> dict[str, Any]:
        """What is entered so far, as far as it is sound; what is not called for is left out."""
        said = sound(self)
        for name in self.left_out(said):
            said.pop(name, None)
        return said


def sound(form: forms.BaseForm) -> dict[str, Any]:
    """The values of a form one by one, without any rule across fields and without the database."""
    said = {}
    for name, field in form.fields.items():
        if not isinstance(field, forms.ModelChoiceField):
            try:
                said[name] = field.clean(form[name].value())
            except ValidationError:
                continue
    return said


def as_sent(form: forms.BaseForm) -> dict[str, str]:
    """What a browser would send of a form as it is shown; an unticked box sends nothing."""
    sent = {}
    for bound in form:
        widget, value = bound.field.widget, bound.value()
        if isinstance(widget, forms.CheckboxInput):
            if value:
                sent[bound.html_name] = "on"
            continue
        shown = widget.format_value(value)
        sent[bound.html_name] = str((shown[0] if shown else "") if isinstance(shown, list) else shown or "")
    return sent


def with_blank(choices: Any) -> list[tuple[str, str]]:
    return [("", "---------"), *choices]


def _says_something(field: BoundField) -> bool:
    """Whether its value differs from that of the empty page."""
    value, blank = field.value(), field.field.initial
    if isinstance(field.field.widget, forms.CheckboxInput):
        return bool(value)
    return value not in UNDECIDED and str(value) != str(blank)
