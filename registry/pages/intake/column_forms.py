"""Forms of one sheet: its header, what each column fills and how it is written, what holds for every row."""

from collections.abc import Iterable, Mapping
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from registry.intake.columns.known import Known
from registry.intake.columns.mapping import Column, DateOrder, SheetMapping
from registry.intake.columns.meaning import fixed_value
from registry.intake.columns.quantities import units_of
from registry.intake.columns.targets import TARGETS, Kind
from registry.intake.columns.unclear import Unclear
from registry.intake.file.sheet import letters
from registry.pages.forms.base import Spoken
from registry.pages.intake.target_names import name_of, target_named

Posted = Mapping[str, Any] | None
TARGET_LIST = "targets"
NO_TARGET = (
    "'%(typed)s' is nothing that a column can fill. Choose from the list, or empty it to leave the column "
    "out."
)
NO_ROW_FOLLOWS = "No row follows row {row}: the sheet has {rows}. Correct it, or leave the sheet out."
SAID_ABOVE = "It is said above already. Empty one of them."
SHOWS_ITSELF = "as it shows itself"
ORDERS = [
    (DateOrder.UNSAID, SHOWS_ITSELF),
    (DateOrder.DAY_FIRST, "day, month, year"),
    (DateOrder.MONTH_FIRST, "month, day, year"),
    (DateOrder.YEAR_FIRST, "year, month, day"),
]
DECIMALS = [("", SHOWS_ITSELF), (",", "comma: 2,5"), (".", "point: 2.5")]
UNIT_NAMES = {
    "mm": "mm",
    "cm": "cm",
    "deg": "degrees",
    "min": "minutes",
    "h": "hours",
    "d": "days",
    "wk": "weeks",
    "mo": "months",
    "a": "years",
    "mL": "mL",
    "%": "percent",
    "1": "shares of 1",
    "kg/m2": "kg/m²",
}
SPARE_FIXED = 2


class TargetField(forms.CharField):
    """A target by its name, searched in a list that the browser itself offers."""

    def __init__(self, label: str) -> None:
        widget = forms.TextInput(attrs={"list": TARGET_LIST, "autocomplete": "off", "spellcheck": "false"})
        super().__init__(label=label, required=False, max_length=200, widget=widget)

    def clean(self, value: Any) -> str:
        typed: str = super().clean(value)
        key = target_named(typed) if typed else ""
        if key is None:
            raise ValidationError(NO_TARGET, params={"typed": typed})
        return key


class ColumnForm(Spoken, forms.Form):
    """One column. Order, unit and decimal sign are asked where its target calls for them."""

    def __init__(self, column: Column, posted: Posted = None) -> None:
        super().__init__(posted, prefix=f"column-{column.place}")
        self.column = column
        where = f"Column {letters(column.place)}"
        self.fields["target"] = TargetField(f"{where} fills")
        self.fields["target"].initial = name_of(column.target)
        target = TARGETS.get(target_named(self["target"].value() or "") or "")
        if target and target.kind is Kind.DATE:
            self._ask("date_order", f"Order of dates in {where}", ORDERS, column.date_order)
        if target and target.kind is Kind.DECIMAL:
            self._ask("decimal", f"Decimal sign in {where}", DECIMALS, column.decimal)
        if target and len(units := units_of(target)) > 1:
            named = [("", SHOWS_ITSELF), *((unit, UNIT_NAMES[unit]) for unit in units)]
            self._ask("unit", f"Unit of {where}", named, column.unit)

    def _ask(self, name: str, label: str, choices: list[Any], said: str) -> None:
        codes = {code for code, _ in choices}
        self.fields[name] = forms.ChoiceField(
            label=label, choices=choices, required=False, initial=said if said in codes else ""
        )

    @property
    def details(self) -> list[forms.BoundField]:
        return [field for field in self if field.name != "target"]

    @property
    def said(self) -> Column:
        """The column as it is said now; what was said of its values stays while its target does."""
        target = self.cleaned_data["target"]
        stays = target == self.column.target
        return Column(
            place=self.column.place,
            header=self.column.header,
            target=target,
            unit=self._kept("unit", stays),
            date_order=DateOrder(self._kept("date_order", stays)),
            decimal=self._kept("decimal", stays),
            meanings=self.column.meanings if stays else {},
        )

    def _kept(self, name: str, stays: bool) -> str:
        """What is answered here; what was said before of a column whose target stays, if it is not asked."""
        if name in self.fields:
            return str(self.cleaned_data[name])
        return str(getattr(self.column, name)) if stays else ""


class SheetForm(Spoken, forms.Form):
    """Whether a sheet is used, and where its header ends."""

    is_used = forms.BooleanField(label="Use this sheet", required=False)
    header_row = forms.IntegerField(
        label="Row of the header",
        min_value=0,
        help_text="The last one, where there are several; 0 where there is none.",
    )

    def __init__(self, mapping: SheetMapping, rows: int, posted: Posted = None) -> None:
        super().__init__(posted, initial={"is_used": mapping.is_used, "header_row": mapping.header_row})
        self._rows = rows

    def clean(self) -> dict[str, Any]:
        said = self.cleaned_data
        row = said.get("header_row")
        if said.get("is_used") and row is not None and row >= self._rows:
            self.add_error("header_row", NO_ROW_FOLLOWS.format(row=row, rows=self._rows))
        return said


class FixedForm(Spoken, forms.Form):
    """One target that has the same value in every row."""

    def __init__(
        self, number: int, known: Known, said: tuple[str, str] = ("", ""), posted: Posted = None
    ) -> None:
        super().__init__(posted, prefix=f"fixed-{number}")
        key, value = said
        self._known = known
        self.fields["target"] = TargetField("Every row says")
        self.fields["target"].initial = name_of(key)
        self.fields["value"] = forms.CharField(label="Value", required=False, max_length=200, initial=value)

    def clean(self) -> dict[str, Any]:
        said = self.cleaned_data
        key, value = said.get("target", ""), said.get("value", "")
        if bool(key) != bool(value) and "target" not in self.errors:
            self.add_error("value" if key else "target", "Both are needed. Enter it, or empty both.")
        elif key:
            self._check(key, value)
        return said

    def _check(self, key: str, value: str) -> None:
        try:
            fixed_value(key, value, self._known)
        except Unclear as refusal:
            self.add_error("value", f"'{value}' {refusal.rule} {refusal.mend}")


def fixed_forms(mapping: SheetMapping, known: Known, posted: Posted = None) -> list[FixedForm]:
    """A form for each value that is fixed, and some to add more."""
    said = [*mapping.fixed.items(), *[("", "")] * SPARE_FIXED]
    return [FixedForm(number, known, each, posted) for number, each in enumerate(said)]


def are_valid(fixed: Iterable[FixedForm]) -> bool:
    """Whether each can be read and none says what another has said."""
    seen = set()
    for form in fixed:
        if form.is_valid() and (key := form.cleaned_data["target"]):
            if key in seen:
                form.add_error("target", SAID_ABOVE)
            seen.add(key)
    return not any(form.errors for form in fixed)


def fixed_said(fixed: Iterable[FixedForm]) -> dict[str, str]:
    """The fixed values by target."""
    said = (form.cleaned_data for form in fixed)
    return {each["target"]: each["value"] for each in said if each["target"]}
