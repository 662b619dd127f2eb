"""Forms of what is open about the columns of an intake, and the answers put to its mapping."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from hashlib import sha256
from typing import Any

from django import forms

from registry.intake.columns.mapping import Column, DateOrder, SheetMapping, plain
from registry.intake.columns.mapping import Mapping as MeaningOfFile
from registry.intake.columns.questions import Question, QuestionKind
from registry.intake.file.sheet import letters
from registry.pages.forms.base import Spoken
from registry.pages.intake.column_forms import Posted

OPEN = ("", "Not said yet")
# Empty in the mapping, where it is an answer; here an empty choice is none.
SAYS_NOTHING = ("-", "Says nothing: leave it empty")
# Keeps what holds for every row where a column says it too.
EVERY_ROW = ("every-row", "What holds for every row")


class QuestionForm(Spoken, forms.Form):
    """One question: a choice for each value that is unknown, or one choice for the whole column."""

    def __init__(self, question: Question, said: SheetMapping, number: int, posted: Posted) -> None:
        super().__init__(posted, prefix=f"sheet-{number}-{question.place}-{question.kind}")
        self.question, self._said = question, said
        self.sheet_number = number
        if question.kind is QuestionKind.VALUE:
            self._ask_values(question)
        elif question.kind is not QuestionKind.MISSING:
            more = [EVERY_ROW] if self._is_fixed_too else []
            self._ask("answer", "Answer", [OPEN, *question.choices, *more])

    def _ask_values(self, question: Question) -> None:
        choices = [OPEN, SAYS_NOTHING, *question.choices]
        for value, _ in question.values:
            self._ask(_name(value), f"'{value}' means", choices)

    def _ask(self, name: str, label: str, choices: list[tuple[str, str]]) -> None:
        self.fields[name] = forms.ChoiceField(label=label, choices=choices, required=False)

    @property
    def letters(self) -> str:
        """The column it is of; "" where it is of the sheet."""
        return "" if self.question.place is None else letters(self.question.place)

    @property
    def _target(self) -> str:
        return next((each.target for each in self._said.columns if each.place == self.question.place), "")

    @property
    def _is_fixed_too(self) -> bool:
        return self.question.kind is QuestionKind.TWICE and self._target in self._said.fixed

    @property
    def values(self) -> Iterator[tuple[str, int, Any]]:
        """Each unknown value with how often it stands there and its choice."""
        for value, count in self.question.values:
            yield value, count, self[_name(value)]

    def answered(self, said: SheetMapping) -> SheetMapping:
        """The sheet with the answers that were given."""
        if self.question.kind is QuestionKind.VALUE:
            return _changed(said, self.question.place, meanings=self._meanings)
        answer = self.cleaned_data.get("answer", "")
        if not answer:
            return said
        if self.question.kind is QuestionKind.TWICE:
            return _kept_once(said, self._target, answer)
        return _changed(said, self.question.place, **{str(self.question.kind): answer})

    @property
    def _meanings(self) -> dict[str, str]:
        given = {plain(value): self.cleaned_data.get(_name(value), "") for value, _ in self.question.values}
        return {value: "" if code == SAYS_NOTHING[0] else code for value, code in given.items() if code}


def answered(mapping: MeaningOfFile, answers: Iterable[QuestionForm]) -> MeaningOfFile:
    """The file with every answer that was given."""
    sheets = {each.sheet: each for each in mapping.sheets}
    for form in answers:
        name = form.question.sheet
        sheets[name] = form.answered(sheets[name])
    return MeaningOfFile(tuple(sheets.values()))


def _changed(said: SheetMapping, place: int | None, **answer: Any) -> SheetMapping:
    columns = (_with(each, answer) if each.place == place else each for each in said.columns)
    return replace(said, columns=tuple(columns))


def _with(column: Column, answer: Mapping[str, Any]) -> Column:
    if "meanings" in answer:
        return replace(column, meanings={**column.meanings, **answer["meanings"]})
    if "date_order" in answer:
        return replace(column, date_order=DateOrder(answer["date_order"]))
    return replace(column, **answer)


def _kept_once(said: SheetMapping, target: str, answer: str) -> SheetMapping:
    """One way of saying a target kept, the others left out."""
    columns = (
        replace(each, target="", meanings={}) if each.target == target and str(each.place) != answer else each
        for each in said.columns
    )
    fixed = {key: value for key, value in said.fixed.items() if key != target or answer == EVERY_ROW[0]}
    return replace(said, columns=tuple(columns), fixed=fixed)


def _name(value: str) -> str:
    """The field of a value, by a digest of it: any text may stand in a cell."""
    return f"value-{sha256(value.encode()).hexdigest()[:16]}"
