"""A file rehearsed, then taken in: by the same steps, rolled back chunk by chunk or kept as a whole.

    meant rows -> people (assembling) -> beside the record (matching, settling)
        -> rows of the record (building) -> on record (writing), what is refused told by place (refusing)

No person's rows depend on another's, so a rehearsal holds the database no longer than a chunk takes.
"""

import gc
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Self

from django.db import models, transaction
from django.utils import timezone

from registry.intake import files
from registry.intake.columns.mapping import Mapping
from registry.intake.columns.meaning import LeftOut, MeantRow, meant
from registry.intake.columns.questions import Question, questions
from registry.intake.file.sheet import Sheet
from registry.intake.files import NotNow
from registry.intake.people.assembling import Assembled, assembled
from registry.intake.people.counting import counted, idle_rows, unchanged
from registry.intake.people.matching import on_record
from registry.intake.people.placing import Places
from registry.intake.people.settling import Settled, settled
from registry.intake.people.told import Person
from registry.intake.people.writing import Writer
from registry.intake.report import Report, in_order
from registry.models import Intake, IntakeRow, Unit, User
from registry.telling import Tell
from registry.vocabulary import IntakeState

PEOPLE_AT_ONCE = 300
MAY_REHEARSE = (*files.AT_REST, IntakeState.WAITING, IntakeState.REHEARSING)
MAY_TAKE_IN = (IntakeState.REHEARSED, IntakeState.CONFIRMED, IntakeState.TAKING_IN, IntakeState.BROKEN)


class QuestionsOpen(NotNow):
    """Something of the file has to be said before it can be rehearsed."""

    def __init__(self, open_: Sequence[Question]) -> None:
        super().__init__(f"Something about its columns has to be said first. {open_[0].words}")
        self.questions = tuple(open_)


class NotAsRehearsed(NotNow):
    """The record says otherwise since the rehearsal; nothing was taken in. `report` is what would be now."""

    def __init__(self, report: Report) -> None:
        super().__init__(
            "The record has changed since the rehearsal, so the file would be taken in otherwise than shown. "
            "Nothing was taken in. Rehearse it again."
        )
        self.report = report


def rehearse(intake: Intake, tell: Tell) -> Report:
    """Do all that taking it in would do, and undo it: what would be new, what is refused and why.

    Raises
    ------
    QuestionsOpen, NotNow
        It cannot be rehearsed yet, or no more.
    """
    if intake.state not in MAY_REHEARSE:
        raise NotNow(f"It cannot be rehearsed: it is {intake.get_state_display().lower()}.")
    with _Work(intake, tell) as work:
        for people in work.chunks("Rehearsing"):
            with transaction.atomic():
                work.put(people, intake.begun_by)
                transaction.set_rollback(True)
        report = work.report()
    intake.report_sealed, intake.state = files.sealed_report(report), IntakeState.REHEARSED
    intake.save(update_fields=["report_sealed", "state"])
    return report


def take_in(intake: Intake, by: User, tell: Tell) -> Report:
    """Put on record what the rehearsal said would be new, whole or not at all.

    Raises
    ------
    NotAsRehearsed
        The outcome differs from what was rehearsed; nothing is on record.
    NotNow
        It is not rehearsed, or taken in already.
    django.core.exceptions.PermissionDenied
        Who takes it in may not do so for its unit.
    """
    files.refuse_stranger(intake.unit, by)
    _rehearsed(intake)
    with _Work(intake, tell) as work, transaction.atomic():
        # Whoever takes it in at the same time waits here, and then finds it taken in.
        held = Intake.objects.select_for_update().get(pk=intake.pk)
        rehearsed = _rehearsed(held)
        if files.mapping_of(held) != work.mapping:
            raise NotNow("Its columns were named otherwise meanwhile. Rehearse it again.")
        for people in work.chunks("Taking in"):
            _note(intake, work.put(people, by))
        report = work.report()
        if not report.agrees_with(rehearsed):
            raise NotAsRehearsed(report)
        files.remember(intake.unit, work.sheets, work.mapping)
        _close(intake, by, report)
    return report


def _rehearsed(intake: Intake) -> Report:
    """What its rehearsal found. NotNow when it is not ready to be taken in."""
    report = files.report_of(intake)
    if intake.state not in MAY_TAKE_IN or report is None:
        state = intake.get_state_display().lower()
        raise NotNow(f"It cannot be taken in: it is {state}. Rehearse it first.")
    return report


def _note(intake: Intake, rows: Sequence[models.Model]) -> None:
    IntakeRow.objects.bulk_create(
        IntakeRow(intake=intake, row_table=row._meta.db_table, row_id=row.pk) for row in rows
    )


def _close(intake: Intake, by: User, report: Report) -> None:
    """The file goes, what it brought stays."""
    intake.state, intake.file_sealed = IntakeState.TAKEN_IN, None
    intake.taken_in_by, intake.taken_in_at = by, timezone.now()
    intake.report_sealed = files.sealed_report(report.without_values())
    intake.save(update_fields=["state", "file_sealed", "taken_in_by", "taken_in_at", "report_sealed"])


@dataclass(slots=True)
class _Meant:
    """The rows of a file as meant, and what was left out of it: columns in `notes`, rows by sheet."""

    rows: list[MeantRow] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    left_out: dict[str, tuple[LeftOut, ...]] = field(default_factory=dict)


class _Work:
    """One file on its way beside the record, with all that is found about it."""

    def __init__(self, intake: Intake, tell: Tell) -> None:
        self._tell = tell
        self._unit: Unit = intake.unit
        tell("Reading the file", 0, 1)
        self.sheets: tuple[Sheet, ...] = files.sheets_of(intake)
        self.mapping: Mapping = files.mapping_of(intake)
        known = files.known_of(self._unit)
        if open_ := questions(self.sheets, self.mapping, known):
            raise QuestionsOpen(open_)
        by_name = {sheet.name: sheet for sheet in self.sheets}
        self._meant = _Meant()
        for each in self.mapping.sheets:
            if each.is_used:
                sheet = meant(by_name[each.sheet], each, known)
                self._meant.rows += sheet.rows
                self._meant.notes += sheet.notes
                self._meant.left_out[each.sheet] = sheet.left_out
        self._places = Places(self.sheets, self.mapping)
        self._whole: Assembled = assembled(self._meant.rows, self._places)
        self._people: list[Settled] = []

    def __enter__(self) -> Self:
        # What was read stays to the end: the collector need not go through it again and again.
        gc.freeze()
        return self

    def __exit__(self, *_: object) -> None:
        gc.unfreeze()

    def chunks(self, step: str) -> Iterator[list[tuple[str, Person]]]:
        """The people of the file, so many at once, with their numbers."""
        people, done = iter(self._whole.people.items()), 0
        while chunk := list(islice(people, PEOPLE_AT_ONCE)):
            self._tell(step, done, len(self._whole.people))
            yield chunk
            done += len(chunk)
        self._tell(step, done, len(self._whole.people))

    def put(self, people: Sequence[tuple[str, Person]], by: User) -> list[models.Model]:
        """Record what is new of these people; the rows recorded."""
        known = on_record(self._unit, [number for number, _ in people])
        chunk = [settled(person, known.get(number), self._places) for number, person in people]
        self._people += chunk
        return Writer(self._unit, by, self._places).write(chunk)

    def report(self) -> Report:
        problems = [*self._whole.problems, *(each for one in self._people for each in one.problems)]
        idle = idle_rows(self._whole)
        return Report(
            rows=len(self._meant.rows) - len(idle),
            left_out=sum(map(len, self._meant.left_out.values())) + len(idle),
            counts=counted(self._whole, self._people),
            problems=in_order(problems, [sheet.name for sheet in self.sheets]),
            notes=tuple(self._notes(idle)),
        )

    def _notes(self, idle: Sequence[MeantRow]) -> Iterator[str]:
        for each in self.mapping.sheets:
            if not each.is_used:
                yield f"{each.sheet} is not used."
        yield from self._meant.notes
        for sheet, left_out in self._meant.left_out.items():
            for why, rows in _by_reason(left_out).items():
                yield f"{sheet}: left out {rows}: {why}"
        for sheet, count in Counter(row.sheet for row in idle).items():
            yield f"{sheet}: {count} rows of people of whom no operation and no event is told."
        if others := unchanged(self._people):
            yield (
                f"Of {others} patients on record the file says something else (such as death or permission). "
                "An intake changes nothing that is on record: correct it on their pages."
            )


def _by_reason(left_out: Sequence[LeftOut]) -> dict[str, str]:
    """The rows left out by why; what stands in them, named in brackets, may be a patient's."""
    rows: dict[str, list[int]] = {}
    for each in left_out:
        rows.setdefault(each.why.partition(" (")[0], []).append(each.row)
    return {
        why: f"row{'s' if len(found) > 1 else ''} {', '.join(map(str, found))}" for why, found in rows.items()
    }
