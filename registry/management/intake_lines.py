"""What the terminal says of an intake: its open questions, its counts, its problems."""

from collections.abc import Iterator
from typing import Any

from registry.intake.columns.questions import Question
from registry.intake.file.sheet import letters
from registry.intake.report import Report
from registry.models import Intake
from registry.vocabulary import IntakeState

PROBLEMS_PRINTED = 50


def as_json(question: Question) -> dict[str, Any]:
    return {
        "sheet": question.sheet,
        "column": "" if question.place is None else letters(question.place),
        "header": question.header,
        "kind": question.kind,
        "words": question.words,
        "values": dict(question.values),
        "choices": dict(question.choices),
    }


def line(question: Question) -> str:
    column = "" if question.place is None else f", column {letters(question.place)} ({question.header})"
    values = ", ".join(f"'{value}' ({count})" for value, count in question.values)
    return f"{question.sheet}{column}: {question.words}{f' {values}' if values else ''}"


def lines(intake: Intake, report: Report) -> Iterator[str]:
    """The counts, the problems and how it ended, as plain text."""
    for kind, counts in report.counts.items():
        told = (f"{count:,} {name.replace('_', ' ')}" for name, count in counts.items())
        yield f"{kind:<12}{', '.join(told)}"
    yield from report.notes
    yield from map(str, report.problems[:PROBLEMS_PRINTED])
    if len(report.problems) > PROBLEMS_PRINTED:
        yield f"... and {len(report.problems) - PROBLEMS_PRINTED:,} more problems; --json prints all of them."
    yield _ending(intake, report)


def _ending(intake: Intake, report: Report) -> str:
    if intake.state == IntakeState.TAKEN_IN:
        return f"Taken in as {intake.uuid}."
    return "Nothing was taken in." if report.new else "Nothing was taken in: nothing in it is new."
