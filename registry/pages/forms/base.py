"""What every form of the record has in common: date controls, words for what is missing, fields in groups."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from django import forms
from django.forms.boundfield import BoundField
from django.forms.utils import pretty_name
from django.utils.text import capfirst

if TYPE_CHECKING:
    _ModelForm = forms.ModelForm[Any]  # generic for the type checker only
else:
    _ModelForm = forms.ModelForm


# Names of fields by heading.
Groups = Mapping[str, tuple[str, ...]]


def fields_of(groups: Groups) -> list[str]:
    """Every field that some heading shows, in the order of the page."""
    return [name for names in groups.values() for name in names]


@dataclass(frozen=True, slots=True)
class Group:
    """Fields under one heading."""

    heading: str
    fields: list[BoundField]


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to mend: where it is, what it is called there, and what is wrong."""

    anchor: str
    label: str
    text: str


class Spoken(forms.BaseForm):
    """A form with a title and grouped fields, whose fields speak for themselves when left empty."""

    title = ""
    GROUPS: ClassVar[Groups] = {}
    # Fields that take the whole width of the page.
    WIDE: ClassVar[tuple[str, ...]] = ()

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, field in self.fields.items():
            _speak(field, field.label or pretty_name(name))

    @property
    def groups(self) -> list[Group]:
        """The fields by heading; one group under the form's title when none are named."""
        named: Groups = self.GROUPS or {self.title: tuple(self.fields)}
        return [Group(heading, [self[name] for name in names]) for heading, names in named.items()]

    @property
    def anchor(self) -> str:
        return f"form-{self.prefix}" if self.prefix else "form"


class RecordForm(Spoken, _ModelForm):
    """A form over one row of the record. A list that opens on its default demands nothing."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, field in self.fields.items():
            column: Any = self._meta.model._meta.get_field(name)
            field.required = field.required and not (column.choices and column.has_default())


def problems_of(page: Iterable[Spoken]) -> list[Problem]:
    """Everything to mend on a page of several forms, in the order of the page."""
    return [problem for form in page for problem in _problems(form)]


def _problems(form: Spoken) -> Iterator[Problem]:
    for text in form.non_field_errors():
        yield Problem(form.anchor, form.title, str(text))
    for field in form:
        for text in field.errors:
            yield Problem(field.id_for_label or field.auto_id, f"{form.title}: {field.label}", str(text))


def _speak(field: forms.Field, label: object) -> None:
    field.error_messages["required"] = f"{capfirst(str(label))} is missing. Enter it."
    if isinstance(field, forms.DateField):
        widget = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
        widget.is_required = field.required
        field.widget = widget
