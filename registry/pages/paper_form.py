"""Forms of a knee: the list to choose from, and one of them on paper, answered with a pen and keyed in."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from django.contrib import messages
from django.db.models import Max
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from registry.access import Action, knee_for
from registry.models import Knee
from registry.pages.forms.base import problems_of
from registry.pages.forms.events import score_kind
from registry.pages.sheet_choice import SheetForm, asked_first
from registry.reviews import current_review
from registry.scoring import INSTRUMENTS, Instrument, Item
from registry.scoring.paper import SheetCode
from registry.vocabulary import Language
from registry.wordings import wording

NO_OPERATION = "No operation on this knee stands on record, so there is nothing to ask the patient about."


@dataclass(frozen=True, slots=True)
class Box:
    """One answer to tick: the value that is keyed in, and the loaded words for it."""

    value: int
    text: str


@dataclass(frozen=True, slots=True)
class Question:
    """One item in loaded words or by its label; `boxes` to tick, or a line from `lowest` to `highest`."""

    code: str
    text: str
    boxes: tuple[Box, ...]
    lowest: int
    highest: int


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is printed: questions by heading, under a code that names nobody."""

    code: SheetCode
    language: str
    operated_on: date
    instrument: Instrument
    heading: str
    groups: tuple[tuple[str, tuple[Question, ...]], ...]
    has_wording: bool

    @classmethod
    def of(cls, knee: Knee, operated_on: date, said: Mapping[str, str]) -> "Sheet":
        """The sheet that was chosen; its question on another operation counts from the day given."""
        instrument, language = INSTRUMENTS[said["instrument"]], said["language"]
        texts = wording(instrument.code, language)
        return cls(
            SheetCode.of(knee.uuid, instrument.code, said["time_point"]),
            language,
            operated_on,
            instrument,
            texts.get("", instrument.name),
            tuple(_groups(instrument, texts)),
            bool(texts),
        )

    @property
    def in_language(self) -> str:
        return str(Language(self.language).label)


def record_score(request: HttpRequest, knee: UUID) -> HttpResponse:
    """Every form that can be answered for a knee, those asked now first."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    review = current_review(found)
    forms = [
        {
            "instrument": INSTRUMENTS[code],
            "kind": score_kind(code),
            "asked_now": review and code in review.instruments,
        }
        for code in asked_first(found, review)
    ]
    return render(request, "registry/score_forms.html", {"knee": found, "forms": forms})


def paper_form(request: HttpRequest, knee: UUID) -> HttpResponse:
    """One form on paper; which one is chosen on the page, above the sheet, and not printed."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    operated_on = found.procedures.aggregate(last=Max("operated_on"))["last"]
    if operated_on is None:
        messages.warning(request, NO_OPERATION)
        return redirect("knee_story", found.uuid)
    choice = SheetForm(found, request.GET)
    sheet = Sheet.of(found, operated_on, choice.cleaned_data) if choice.is_valid() else None
    context = {"knee": found, "choice": choice, "sheet": sheet, "problems": problems_of([choice])}
    return render(request, "registry/paper_form.html", context, status=200 if sheet else 422)


def _groups(instrument: Instrument, texts: Mapping[str, str]) -> Iterator[tuple[str, tuple[Question, ...]]]:
    for group in instrument.groups:
        yield group.label, tuple(_question(instrument.item(code), texts) for code in group.items)


def _question(item: Item, texts: Mapping[str, str]) -> Question:
    boxes = [Box(value, texts.get(f"{item.code}={value}", "")) for value in item.allowed if item.is_choice]
    return Question(
        item.code, texts.get(item.code, item.label), tuple(boxes), min(item.allowed), max(item.allowed)
    )
