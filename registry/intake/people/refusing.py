"""A rule of the record that a row breaks, told where the file says it."""

from collections.abc import Iterator
from typing import Any

from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.db import DatabaseError, models

from registry.intake.people.building import Made
from registry.intake.people.placing import Places
from registry.intake.people.settling import Settled
from registry.intake.problem import Problem

# The fields of the record that a file fills by another name.
SAID_AS = {"born_on": "born_year", "hospital_number_index": "hospital_number", "items": "instrument"}


def refuse(made: Made, problem: ValidationError | DatabaseError, places: Places) -> None:
    """Leave the entry of a row out, with each broken rule told at its cell."""
    problems = [*_problems(made, problem, places)]
    settled: Settled = made.settled
    if made.entry is None:
        settled.refuse_patient(problems, places)
    elif made.entry in settled.operations:
        settled.refuse_operation(made.entry, problems, places)
    else:
        settled.refuse_event(made.entry, problems)  # type: ignore[arg-type]


def _problems(made: Made, problem: ValidationError | DatabaseError, places: Places) -> Iterator[Problem]:
    if not isinstance(problem, ValidationError):
        yield _at(made, "", _sentence(problem), "Correct it.", places)
        return
    for name, errors in _by_field(problem).items():
        for error in errors:
            if error.code in ("null", "blank"):
                label = _label(made.row, name)
                yield _at(made, name, f"{label} is needed and not said.", "Add it.", places)
                continue
            for message in error.messages:
                rule, mend = _split(message)
                at = name if name != NON_FIELD_ERRORS else _field_of(made, message)
                yield _at(made, at, rule, mend, places)


def _by_field(problem: ValidationError) -> dict[str, list[ValidationError]]:
    return problem.error_dict if hasattr(problem, "error_dict") else {NON_FIELD_ERRORS: problem.error_list}


def _at(made: Made, name: str, rule: str, mend: str, places: Places) -> Problem:
    known = name if name in made.thing.said else SAID_AS.get(name, name)
    row, key = made.thing.place(known)
    return places.problem(row, key, rule, mend)


def _field_of(made: Made, message: str) -> str:
    """The first field that a rule over several is about and the file says."""
    for constraint in made.row._meta.constraints:
        if isinstance(constraint, models.CheckConstraint) and constraint.violation_error_message == message:
            names = (name.partition("__")[0] for name, _ in _leaves(constraint.condition))
            return next((name for name in names if name in made.thing.said), "")
    return ""


def _leaves(condition: Any) -> Iterator[tuple[str, Any]]:
    for child in getattr(condition, "children", ()):
        if isinstance(child, tuple):
            yield child
        else:
            yield from _leaves(child)


def _label(row: models.Model, name: str) -> str:
    label = str(getattr(row._meta.get_field(name), "verbose_name", name))
    return label[:1].upper() + label[1:]


def _split(message: str) -> tuple[str, str]:
    """What is wrong, and the last sentence, which says how to mend it."""
    rule, dot, mend = message.rpartition(". ")
    return (f"{rule}.", mend) if dot else (message, "Correct it.")


def _sentence(problem: DatabaseError) -> str:
    """What the database says, without what it adds for programmers."""
    said = str(problem).splitlines()[0].strip().removesuffix(".")
    return f"{said[:1].upper()}{said[1:]}."
