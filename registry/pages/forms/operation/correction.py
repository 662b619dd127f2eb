"""From the page to an operation on record: corrected, added, brought back or withdrawn, all or nothing."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

from django.db import transaction

from registry.models import Kept
from registry.pages.forms.base import Spoken
from registry.pages.forms.operation.card import TearCard
from registry.pages.forms.operation.entry import OperationEntry
from registry.pages.forms.saving import attempt
from registry.recording import Act, correct, withdraw


@dataclass(frozen=True, slots=True)
class Step:
    """One write; refused, it is said on the form."""

    form: Spoken
    row: Kept
    write: Callable[[], None]


def save_correction(entry: OperationEntry, act: Act, seen: int) -> bool:
    """Write everything that changed; False when refused, with the reason on the form it concerns.

    Raises
    ------
    ChangedMeanwhile
        Somebody else changed the operation after `seen`.
    """
    with transaction.atomic():
        for step in _steps(entry, act, seen):
            if not attempt(step.write, [(step.form, step.row)]):
                transaction.set_rollback(True)
                return False
    return True


def _steps(entry: OperationEntry, act: Act, seen: int) -> Iterator[Step]:
    """In this order nothing is refused for the sake of a row that is about to change."""
    operation = entry.procedure.instance
    yield Step(entry.procedure, operation, partial(correct, operation, act=act, seen=seen))
    for gone in entry.removed:
        # A pass goes along with its tear or its repair.
        yield Step(entry.procedure, gone, partial(_withdraw_if_it_stands, gone, act))
    for card in entry.cards:
        yield from _given_up(card, act)
    if entry.recorded.planned and not entry.plans:
        yield Step(
            entry.rehabilitation, entry.recorded.planned, partial(withdraw, entry.recorded.planned, act)
        )
    for form, row in entry.parts():
        assert isinstance(row, Kept)  # noqa: S101 - every part of an operation is
        row.withdrawn_at = None
        yield Step(form, row, partial(correct, row, act=act))
    for answer in entry.answers.taken_back():
        yield Step(entry.answers, answer, partial(withdraw, answer, act))


def _given_up(card: TearCard, act: Act) -> Iterator[Step]:
    """The repair of a tear that is not said to be repaired any more."""
    repair = card.repair.instance
    if repair.pk and repair.stands and not card.tear.says_repaired:
        yield Step(card.tear, repair, partial(withdraw, repair, act))


def _withdraw_if_it_stands(row: Kept, act: Act) -> None:
    row.refresh_from_db(from_queryset=type(row).ever.all())
    if row.stands:
        withdraw(row, act)
