"""Columns of an intake, one sheet at a time: what each fills, how it is written, what holds for every row."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from registry.intake import files
from registry.intake.columns.guessing import remembered_header
from registry.intake.columns.headers import header_at
from registry.intake.columns.known import Known
from registry.intake.columns.mapping import Column, Mapping, SheetMapping
from registry.intake.columns.words import typed
from registry.intake.file.sheet import Sheet, letters
from registry.intake.files import NotNow
from registry.models import Intake
from registry.pages.intake.column_forms import (
    ColumnForm,
    FixedForm,
    Posted,
    SheetForm,
    are_valid,
    fixed_forms,
    fixed_said,
)
from registry.pages.intake.found import intake_for
from registry.pages.intake.target_names import NAMES, parts
from registry.pages.intake.told import steps
from registry.pages.unit import person_of

SAMPLES = 3
HEADER_MOVED = "The header is another row now. Look at the columns again."
NAMED_MEANWHILE = (
    "Somebody else said meanwhile what columns of this file mean. What you said stands below and is not kept "
    "yet: sent again, it takes the place of theirs on this sheet."
)
SEEN = "seen"


def intake_columns(request: HttpRequest, intake: UUID) -> HttpResponse:
    """One sheet to be named, or on to the next one; the details of a column alone when its target changed."""
    found = intake_for(request, intake)
    if request.headers.get("HX-Request") and request.method == "GET":
        return _details(request, found)
    if found.file_sealed is None:
        return redirect("intake", found.uuid)
    page = SheetPage(found, request.GET.get("sheet", "1"), request.POST if request.method == "POST" else None)
    if page.is_outdated:
        messages.error(request, NAMED_MEANWHILE)
        return _shown(request, page, status=409)
    if request.method == "POST" and page.is_valid():
        return _saved(request, page)
    return _shown(request, page, status=422 if request.method == "POST" else 200)


class SheetPage:
    """The forms of one sheet of a file."""

    def __init__(self, intake: Intake, number: str, posted: Posted) -> None:
        self.intake, self._posted = intake, posted
        self.sheets = files.sheets_of(intake)
        self.mapping: Mapping = files.mapping_of(intake)
        self.number = _numbered(number, len(self.sheets))
        self.sheet = self.sheets[self.number - 1]
        self.said = self.mapping.sheets[self.number - 1]

    @property
    def mark(self) -> str:
        """Of what was said of the file so far, to be sent back as `seen`."""
        return files.mark_of(self.intake)

    @property
    def is_outdated(self) -> bool:
        """Whether the page that was sent shows what somebody else has changed since."""
        return self._posted is not None and self._posted.get(SEEN, self.mark) != self.mark

    @cached_property
    def known(self) -> Known:
        return files.known_of(self.intake.unit)

    @cached_property
    def form(self) -> SheetForm:
        return SheetForm(self.said, len(self.sheet.rows), self._posted)

    @cached_property
    def columns(self) -> list["Shown"]:
        """The columns that hold anything."""
        shown = (Shown.of(self.sheet, self.said, column, self._posted) for column in self.said.columns)
        return [each for each in shown if each.form.column.header or each.samples]

    @cached_property
    def fixed(self) -> list[FixedForm]:
        return fixed_forms(self.said, self.known, self._posted)

    @property
    def forms(self) -> list[Any]:
        return [self.form, *(each.form for each in self.columns), *self.fixed]

    def is_valid(self) -> bool:
        columns = all([each.form.is_valid() for each in self.columns])
        return all([self.form.is_valid(), columns, are_valid(self.fixed)])

    @property
    def header_moved(self) -> bool:
        return bool(self.form.cleaned_data["header_row"] != self.said.header_row)

    @property
    def meant(self) -> Mapping:
        """The whole file as it is meant now."""
        row = self.form.cleaned_data["header_row"]
        said = {each.form.column.place: each.form.said for each in self.columns}
        header = header_at(self.sheet, row)
        columns = tuple(
            replace(said.get(column.place, column), header=header.text(column.place))
            for column in self.said.columns
        )
        meant = SheetMapping(
            self.said.sheet, self.form.cleaned_data["is_used"], row, columns, fixed_said(self.fixed)
        )
        before, after = self.mapping.sheets[: self.number - 1], self.mapping.sheets[self.number :]
        return Mapping((*before, meant, *after))

    @property
    def next_sheet(self) -> int | None:
        """The next sheet in use, counted from 1."""
        later = enumerate(self.mapping.sheets[self.number :], self.number + 1)
        return next((number for number, each in later if each.is_used), None)


@dataclass(frozen=True, slots=True)
class Shown:
    """One column: its letters, its first values, its form."""

    letters: str
    samples: tuple[str, ...]
    form: ColumnForm

    @classmethod
    def of(cls, sheet: Sheet, said: SheetMapping, column: Column, posted: Posted) -> "Shown":
        samples = tuple(islice(_values(sheet, said.header_row, column.place), SAMPLES))
        return cls(letters(column.place), samples, ColumnForm(column, posted))


def _values(sheet: Sheet, header_row: int, place: int) -> Iterator[str]:
    """The different values of a column as typed, the first ones first."""
    seen: set[str] = set()
    for row in sheet.rows[header_row:]:
        if (value := typed(row[place])) and value not in seen:
            seen.add(value)
            yield value


def _saved(request: HttpRequest, page: SheetPage) -> HttpResponse:
    try:
        files.set_mapping(page.intake, person_of(request), page.meant)
    except NotNow as refusal:
        messages.error(request, str(refusal))
        return redirect("intake", page.intake.uuid)
    if page.header_moved:
        messages.info(request, HEADER_MOVED)
        return _to_sheet(page, page.number)
    if page.next_sheet:
        return _to_sheet(page, page.next_sheet)
    return redirect("intake_values", page.intake.uuid)


def _to_sheet(page: SheetPage, number: int) -> HttpResponse:
    return redirect(f"{reverse('intake_columns', args=[page.intake.uuid])}?sheet={number}")


def _shown(request: HttpRequest, page: SheetPage, status: int) -> HttpResponse:
    context = {
        "intake": page.intake,
        "steps": steps(page.intake, "intake_columns"),
        "page": page,
        "was_remembered": bool(remembered_header(page.sheet, files.memory_of(page.intake.unit))),
        "names": NAMES,
        "parts": parts(),
        "invalid": [form for form in page.forms if form.errors],
    }
    return render(request, "registry/intake/columns.html", context, status=status)


def _details(request: HttpRequest, intake: Intake) -> HttpResponse:
    """How one column is written, asked as its new target calls for it."""
    said = files.mapping_of(intake).sheets
    sheet = said[_numbered(request.GET.get("sheet", ""), len(said)) - 1]
    place = request.GET.get("place", "")
    column = next((each for each in sheet.columns if str(each.place) == place), None)
    if column is None:
        raise Http404
    form = ColumnForm(column, request.GET)
    return render(request, "registry/intake/details.html", {"form": form})


def _numbered(number: str, many: int) -> int:
    if not number.isdecimal() or not 1 <= int(number) <= many:
        raise Http404
    return int(number)
