"""What every page that corrects the record has in common: the reason, and two people at one entry.

A page carries `seen`, the mark of how far its entry had been corrected when it was opened. Who sends it after
somebody else's correction is told, sees both versions, and may send again on top.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Self

from django import forms
from django.forms.boundfield import BoundField
from django.http import QueryDict

from registry.access import Person
from registry.models import Correction, Kept, User
from registry.models.history_rules import BEFORE_SIGNING
from registry.pages.differences import NOTHING, Change, Line, named, shown, told
from registry.pages.forms.base import RecordForm, Spoken
from registry.recording import Act, ChangedMeanwhile, latest_correction, may_go_without_reason

__all__ = ["Change", "Conflict", "Line", "ReasonForm", "told", "with_theirs"]

PREFIX = "correction"
REASON_HELP = "Kept in the history of this record with your name and the time."
UNSIGNED_HELP = (
    "The note is not signed yet, so the reason may be left out. The change is kept in the history."
)


class ReasonForm(Spoken, forms.Form):
    """Why an entry is corrected, and how far it had been corrected when the page was opened.

    A reason `derived` from what is done, such as "Death recorded", is not asked.
    """

    title = "Reason"
    reason = forms.CharField(max_length=200, label="Reason for the correction", help_text=REASON_HELP)
    seen = forms.IntegerField(required=False, widget=forms.HiddenInput)

    def __init__(self, entry: Kept, posted: Mapping[str, Any] | None = None, derived: str = "") -> None:
        known = {"seen": latest_correction(entry)}
        super().__init__(posted, prefix=PREFIX, initial=known, use_required_attribute=False)
        self.derived = derived
        if derived:
            del self.fields["reason"]
        elif may_go_without_reason(entry):
            self.fields["reason"].required = False
            self.fields["reason"].help_text = UNSIGNED_HELP

    def act(self, by: User) -> Act:
        return Act(by, self.derived or self.cleaned_data["reason"] or BEFORE_SIGNING)

    @property
    def mark(self) -> int:
        """To be given to `correct` as `seen`; a page that carries none has seen no correction."""
        return self.cleaned_data["seen"] or 0


@dataclass(frozen=True, slots=True)
class Conflict:
    """What somebody else changed meanwhile, and where my form differs from what is on record by now.

    Of a line of `mine`, `before` is on record now and `after` stands in my form.
    """

    theirs: list[Change]
    mine: list[Line]

    @classmethod
    def of(cls, met: ChangedMeanwhile, forms: Iterable[Spoken], reader: Person) -> Self:
        """`forms` are those of the page, bound to what `with_theirs` made of it."""
        mine = [line for form in forms if isinstance(form, RecordForm) for line in _differing(form)]
        return cls(told(met.corrections, reader), mine)


def with_theirs(posted: QueryDict, forms: Iterable[Spoken], met: ChangedMeanwhile) -> QueryDict:
    """What was posted, to be shown again: fields that its sender left alone follow what the others changed.

    `forms` are those of the page as it would be opened now, bound to `posted`. The answer carries a new
    `seen`, so that sending it again goes on top of theirs.
    """
    merged = posted.copy()
    for form in forms:
        if isinstance(form, RecordForm) and form.instance.pk:
            _follow(form, met.corrections, merged)
    merged[f"{PREFIX}-seen"] = str(max([correction.pk for correction in met.corrections], default=0))
    return merged


def _follow(form: RecordForm, corrections: Iterable[Correction], merged: QueryDict) -> None:
    row = form.instance
    names = {field.attname: field.name for field in row._meta.concrete_fields}
    was, now = _before_and_after(row, corrections)
    for column, value in now.items():
        name = names[column]
        if name in form.fields and not form.fields[name].has_changed(was.get(column), form[name].data):
            _put(merged, form[name], value)


def _before_and_after(row: Kept, corrections: Iterable[Correction]) -> tuple[dict[str, Any], dict[str, Any]]:
    """What the corrections changed in one row: as before the first of them, and as since the last."""
    was: dict[str, Any] = {}
    now: dict[str, Any] = {}
    for each in corrections:
        if (each.row_table, each.row_id) == (row._meta.db_table, row.pk):
            was = {**(each.before or _blank(row)), **was}
            now |= each.after
    return _as_python(row, was), _as_python(row, now)


def _blank(row: Kept) -> dict[str, Any]:
    """A row that somebody added, as it stood on a page that did not know of it."""
    empty = type(row)()
    return {field.attname: field.value_from_object(empty) for field in row._meta.concrete_fields}


def _as_python(row: Kept, values: dict[str, Any]) -> dict[str, Any]:
    columns = {field.attname: field for field in row._meta.concrete_fields}
    return {name: columns[name].to_python(value) for name, value in values.items()}


def _put(merged: QueryDict, field: BoundField, value: Any) -> None:
    """Write a value as the control of the field would send it."""
    widget = field.field.widget
    if isinstance(widget, forms.CheckboxInput):
        merged.pop(field.html_name, None)
        if value:
            merged[field.html_name] = "on"
        return
    sent = widget.format_value(field.field.prepare_value(value))
    merged[field.html_name] = (sent[0] if isinstance(sent, list) else sent) or ""


def _differing(form: RecordForm) -> Iterator[Line]:
    """Where a form was changed from what is on record of its row now."""
    model = type(form.instance)
    recorded = model.ever.get(pk=form.instance.pk) if form.instance.pk else model()
    sound = form.is_valid()
    for name in form.changed_data:
        typed = form.cleaned_data.get(name) if sound else form[name].data
        on_record = getattr(recorded, name, form.initial.get(name))
        label = f"{form.title}: {form[name].label}"
        yield Line(label, _plain(recorded, name, on_record), _plain(recorded, name, typed))


def _plain(row: Kept, name: str, value: Any) -> str:
    if isinstance(value, Kept):
        return named(value)
    column = next((each for each in row._meta.concrete_fields if each.name == name), None)
    return shown(column, value) if column else str(NOTHING if value in (None, "") else value)
