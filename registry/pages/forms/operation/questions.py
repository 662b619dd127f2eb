"""What the soft rules ask about an operation as it is entered, and the answers kept with it."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any
from zlib import crc32

from django import forms
from django.forms.boundfield import BoundField
from django.http import QueryDict

from registry.models import IndexProcedure, SoftAnswer, Tear
from registry.pages.forms.base import Spoken
from registry.pages.forms.operation.base import Posted
from registry.pages.forms.operation.card import TearCard
from registry.rules.questions import (
    Question,
    implant_questions,
    operation_questions,
    pass_questions,
    repair_questions,
    tear_questions,
)

ASKED = "asked"
CONFIRMED = "Confirmed"


def questions(
    operation: Mapping[str, Any],
    cards: Sequence[TearCard],
    implants: Sequence[Mapping[str, Any]],
    varus_limit_deg: Decimal,
) -> list[Question]:
    """Everything to ask about the page as far as it is filled in."""
    tears = [card.values for card in cards]
    asked = operation_questions(operation, tears, varus_limit_deg)
    for card, tear in zip(cards, tears, strict=True):
        asked += tear_questions(tear, card.number)
        asked += repair_questions(card.repair_values, card.number)
        asked += pass_questions(card.pass_values, card.number)
    operated_on: date | None = operation.get("operated_on")
    return asked + implant_questions(implants, operated_on)


@dataclass(frozen=True, slots=True)
class Line:
    """One question with its two ways to answer: a tick, or a few words."""

    question: Question
    confirmed: BoundField
    words: BoundField


class AnswersForm(Spoken, forms.Form):
    """One line a question. Each is asked once: what is then left without an answer is recorded without.

    An answer is to the words asked: once they changed, with the values behind them, it counts no more.
    """

    title = "To be confirmed"

    def __init__(
        self,
        asked: Sequence[Question],
        cards: Sequence[TearCard],
        known: Sequence[SoftAnswer],
        asked_before: Collection[str] = (),
        posted: Posted = None,
    ) -> None:
        self._asked = {_name(question): question for question in asked}
        self._asked_before = asked_before
        answers = None if posted is None else self.still_said(posted)
        super().__init__(answers, prefix="answer", use_required_attribute=False)
        self._tears = {card.number: card.tear.instance for card in cards}
        self._known = {(answer.code, answer.tear_id): answer for answer in known}
        for name in self._asked:
            self._put(name, self._row(name).answer)

    def _put(self, name: str, answer: str) -> None:
        self.fields[f"{name}-confirmed"] = forms.BooleanField(required=False, label=CONFIRMED)
        self.fields[name] = forms.CharField(required=False, max_length=200, label="Or in your own words")
        self.initial[f"{name}-confirmed"] = answer == CONFIRMED
        self.initial[name] = "" if answer == CONFIRMED else answer

    @property
    def names(self) -> list[str]:
        """The questions shown, as the page says that it has asked them: each with a mark of its words."""
        return [_asked_as(question) for question in self._asked.values()]

    def still_said(self, typed: Mapping[str, Any]) -> dict[str, Any]:
        """What is typed, without answers to questions that the page did not ask in these words."""
        unasked = {name for name in self._asked if not self._was_asked(name)}
        stale = {f"answer-{name}{end}" for name in unasked for end in ("", "-confirmed")}
        return {name: value for name, value in typed.items() if name not in stale}

    def show(self, typed: QueryDict) -> None:
        """Show the answers typed so far; not one on record where the page asks in other words by now."""
        for name in self._asked:
            if self._asked_before and self._is_put_anew(name):
                self.initial[name], self.initial[f"{name}-confirmed"] = "", False
            elif self._was_asked(name):
                self.initial[name] = typed.get(f"answer-{name}", "")
                self.initial[f"{name}-confirmed"] = f"answer-{name}-confirmed" in typed

    def _is_put_anew(self, name: str) -> bool:
        return not self._was_asked(name) and any(mark.startswith(f"{name}-") for mark in self._asked_before)

    def _was_asked(self, name: str) -> bool:
        return _asked_as(self._asked[name]) in self._asked_before

    @property
    def lines(self) -> list[Line]:
        return [
            Line(question, self[f"{name}-confirmed"], self[name]) for name, question in self._asked.items()
        ]

    @property
    def is_settled(self) -> bool:
        """Whether every question is answered, or was left without an answer on purpose."""
        return not self.open_questions

    @property
    def open_questions(self) -> list[Question]:
        """The questions that are new and have no answer."""
        asked = self._asked.items()
        return [question for name, question in asked if not (self._given(name) or self._was_asked(name))]

    def rows(self, procedure: IndexProcedure) -> Iterator[SoftAnswer]:
        """The answers given, new or on record."""
        for name in self._asked:
            row = self._row(name)
            row.procedure, row.answer = procedure, self._given(name)
            if row.answer:
                yield row

    def taken_back(self) -> list[SoftAnswer]:
        """Answers on record that are cleared, or to what is not asked any more."""
        given = {self._row(name).pk for name in self._asked if self._given(name)}
        return [answer for answer in self._known.values() if answer.pk not in given]

    def _given(self, name: str) -> str:
        words: str = self.cleaned_data.get(name, "")
        return words or (CONFIRMED if self.cleaned_data.get(f"{name}-confirmed") else "")

    def _row(self, name: str) -> SoftAnswer:
        question = self._asked[name]
        tear: Tear | None = self._tears[question.tear] if question.tear else None
        known = self._known.get((question.code, tear.pk if tear else None))
        return known or SoftAnswer(code=question.code, tear=tear)


def _asked_as(question: Question) -> str:
    return f"{_name(question)}-{crc32(question.text.encode()):08x}"


def _name(question: Question) -> str:
    return f"{question.code}-{question.tear or 0}"
