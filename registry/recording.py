"""The one way in: every write to the record passes here, checked in words and saved whole or not at all.

What is on record is never overwritten silently and never deleted: a change leaves a `Correction` with what
stood before, and what should not count is withdrawn. Each function is one transaction of its own, done again
if the database broke it off, or a part of the caller's.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any
from uuid import UUID, uuid4

from django.core.exceptions import ValidationError
from django.db import models
from django.utils import timezone

from registry import bulk, noting
from registry.checking import TableChecks
from registry.holding import hold, hold_patients
from registry.models import Correction, Entry, IndexProcedure, Kept, User
from registry.models.history_rules import BEFORE_SIGNING, kept_models
from registry.parts import parts_of
from registry.retrying import retried, retried_with
from registry.vocabulary import CorrectionKind

SIGNED_ALREADY = "This note is signed already. A correction of it stays under that signature."


@dataclass(frozen=True, slots=True)
class Act:
    """One deliberate change of the record: who makes it and why. All it touches shares its key."""

    by: User | None
    reason: str
    key: UUID = field(default_factory=uuid4)


class ChangedMeanwhile(Exception):  # noqa: N818 - a state of affairs, not a mistake
    """Somebody else changed the entry since it was read. Carries what they did."""

    def __init__(self, corrections: Sequence[Correction]) -> None:
        super().__init__("Changed by somebody else since it was read.")
        self.corrections = corrections


class RowsRefused(ValidationError):  # noqa: N818 - what became of them, said to a person
    """Rows of one table that break rules, each in `refused` with its words; its own are the first's."""

    def __init__(self, refused: Sequence[tuple[models.Model, ValidationError]]) -> None:
        super().__init__(refused[0][1])
        self.refused = tuple(refused)


def record(*rows: models.Model, by: User | None = None) -> None:
    """Check and save new rows in the order given, a row after those it refers to; all or nothing.

    Raises
    ------
    django.core.exceptions.ValidationError
        The first row that breaks a rule, in words by field.
    django.db.IntegrityError
        A rule that only the database could see (two people writing at once).
    """

    def work() -> None:
        hold(rows, "adding")
        for row in rows:
            _save_new(row, by)

    retried_with(rows, work)


def record_together(rows: Iterable[models.Model], by: User | None = None) -> None:
    """Check and save many new rows, those of one table that follow each other by one insert; all or nothing.

    What `record` refuses is refused here: all but uniqueness is checked in the same words, and that is left
    to the database. Give a table's rows together, each after those it refers to; then they know their keys.

    Raises
    ------
    RowsRefused
        Every row that breaks a rule, of the first table that has one.
    django.db.IntegrityError
        A rule that the database sees; `record`, one row after another, finds whose and says it in words.
    """
    rows = list(rows)

    def work() -> None:
        hold(rows, "adding")
        saved: dict[type[models.Model], set[Any]] = defaultdict(set)
        for table, of_one_table in groupby(rows, key=type):
            new = list(of_one_table)
            _save_new_together(new, by, saved)
            saved[table].update(row.pk for row in new)

    retried_with(rows, work)


def correct(*rows: Kept, act: Act, seen: int | None = None) -> None:
    """Save changed rows, and new rows of entries that are on record, each with its correction.

    Rows that did not change are left alone. `seen` is the `latest_correction` of the entry when it was read.

    Raises
    ------
    ChangedMeanwhile
        The entry of a row was changed after `seen`, or a row after it was read.
    ValidationError, IntegrityError
        As `record`; nothing is saved then.
    """

    def work() -> None:
        hold(rows, "changing")
        if seen is not None:
            _refuse_if_changed(rows[0].entry, seen)
        for row in rows:
            _correct(row, act)

    retried_with(rows, work)


def withdraw(row: Kept, act: Act) -> None:
    """Take a row out of every figure and list, with all its parts. It stays in the history.

    Raises
    ------
    ValidationError
        What still rests on it, in words.
    """

    def work() -> None:
        hold([row], "changing")
        if reasons := row.in_the_way():
            said = "It cannot be withdrawn yet: {}. Withdraw that first."
            raise ValidationError([said.format(reason) for reason in reasons])
        for part in parts_of(row):
            if part.stands:
                _set(part, act, CorrectionKind.WITHDRAWN, withdrawn_at=timezone.now())

    retried_with([row], work)


def withdraw_together(rows: Sequence[Kept], act: Act) -> None:
    """Take many rows of one table out, all of whose parts are withdrawn already, by a few statements.

    Raises
    ------
    django.db.IntegrityError
        A part of one still stands, something rests on it, or somebody changed it since it was read.
    """
    _refuse_without_reason(rows[0], act)
    retried_with(rows, lambda: _withdraw_together(rows, act))


def _withdraw_together(rows: Sequence[Kept], act: Act) -> None:
    hold(rows, "changing")
    now = timezone.now()
    after = {"withdrawn_at": noting.plain(now)}
    notes = []
    for row in rows:
        row.version, row.withdrawn_at = row.version + 1, now
        notes.append(noting.correction(row, act, CorrectionKind.WITHDRAWN, {"withdrawn_at": None}, after))
    record_together(notes)
    type(rows[0]).ever.filter(pk__in=[row.pk for row in rows]).update(
        version=models.F("version") + 1, withdrawn_at=now
    )


def reinstate(withdrawn: UUID, act: Act) -> None:
    """Bring back everything that one act withdrew."""
    tables = {model._meta.db_table: model for model in kept_models()}
    taken = Correction.objects.filter(act=withdrawn, kind=CorrectionKind.WITHDRAWN).order_by("-pk")

    def work() -> None:
        hold_patients({each.patient_id for each in taken.all() if each.patient_id}, "changing")
        for correction in taken.all():
            row = tables[correction.row_table].ever.get(pk=correction.row_id)
            _set(row, act, CorrectionKind.REINSTATED, withdrawn_at=None)

    retried(work)


def sign(procedure: IndexProcedure, by: User, seen: int | None = None) -> None:
    """Sign an operation note, once; from then on a correction needs a reason of its own.

    Raises
    ------
    ChangedMeanwhile
        The note was changed after `seen`.
    ValidationError
        It is signed.
    """

    def work() -> None:
        hold([procedure], "changing")
        if seen is not None:
            _refuse_if_changed(procedure, seen)
        if procedure.is_signed:
            raise ValidationError(SIGNED_ALREADY)
        _set(procedure, Act(by, "Signed"), CorrectionKind.SIGNED, signed_at=timezone.now(), signed_by=by)

    retried_with([procedure], work)


def latest_correction(entry: Kept) -> int:
    """Mark of how far an entry has been corrected, to be given back as `seen`."""
    latest = corrections_of(entry).order_by("-pk").values_list("pk", flat=True).first()
    return latest or 0


def corrections_of(entry: Kept) -> models.QuerySet[Correction]:
    """Every change of an entry and its parts, in order."""
    return Correction.objects.filter(entry_table=entry._meta.db_table, entry_id=entry.pk)


def may_go_without_reason(entry: Kept) -> bool:
    """Whether an entry is an operation note not yet signed."""
    return isinstance(entry, IndexProcedure) and not entry.is_signed


def hold_entry(entry: Kept) -> None:
    """Until the transaction ends nobody else changes an entry, or anything else of its patient."""
    hold([entry], "changing")
    type(entry).ever.select_for_update().get(pk=entry.pk)


def _correct(row: Kept, act: Act) -> None:
    if row._state.adding:
        _save_new(row, act.by)
        _note(row, act, CorrectionKind.ADDED, {}, noting.values(row))
    else:
        _change(row, act, CorrectionKind.CORRECTED)


def _save_new(row: models.Model, by: User | None) -> None:
    _make_ready(row, by)
    row.full_clean()
    row.save()


def _save_new_together(
    rows: Sequence[models.Model], by: User | None, saved: Mapping[type[models.Model], set[Any]]
) -> None:
    for row in rows:
        _make_ready(row, by)
    known, checks = _known_references(rows, saved), TableChecks(type(rows[0]))
    refused = [(row, problem) for row in rows if (problem := checks.broken_rule(row, known))]
    if refused:
        raise RowsRefused(refused)
    bulk.insert(rows)


def _make_ready(row: models.Model, by: User | None) -> None:
    if isinstance(row, Kept) and not row._state.adding:
        raise TypeError(f"The {row} is on record: change it with correct(), which says who and why.")
    _take_up_saved_references(row)
    if isinstance(row, Entry) and by:
        row.recorded_by = by


def _known_references(
    rows: Sequence[models.Model], saved: Mapping[type[models.Model], set[Any]]
) -> dict[str, set[Any]]:
    """Keys that each foreign key of these rows may hold: `saved` with them, or found by one query for all."""
    known = {}
    for each in rows[0]._meta.concrete_fields:
        if isinstance(each, models.ForeignKey):
            table: Any = each.remote_field.model
            keys = {each.value_from_object(row) for row in rows} - {None} - saved[table]
            known[each.name] = saved[table] | set(table._base_manager.only("pk").in_bulk(keys))
    return known


def _set(row: Kept, act: Act, kind: CorrectionKind, **values: Any) -> None:
    """Change a row that was read as it is on record; refused, it stays as it was read."""
    stood = {name: getattr(row, name) for name in values}
    try:
        for name, value in values.items():
            setattr(row, name, value)
        _change(row, act, kind)
    except Exception:
        for name, value in stood.items():
            setattr(row, name, value)
        raise


def _change(row: Kept, act: Act, kind: CorrectionKind) -> None:
    before: Kept = type(row).ever.select_for_update().get(pk=row.pk)
    if before.version != row.version:
        later = Correction.objects.filter(
            row_table=row._meta.db_table, row_id=row.pk, version__gt=row.version
        )
        raise ChangedMeanwhile(list(later))
    if _is_moved(before, row):
        hold([before], "changing")
    if before.withdrawn_at and row.stands:
        kind = CorrectionKind.REINSTATED
    if kind in (CorrectionKind.CORRECTED, CorrectionKind.REINSTATED):
        row.full_clean()
    stood, stands = noting.values(before), noting.values(row)
    changed = [name for name in stands if stands[name] != stood[name]]
    if not changed:
        return
    _refuse_without_reason(row, act)
    row.version += 1
    try:
        _note(
            row, act, kind, {name: stood[name] for name in changed}, {name: stands[name] for name in changed}
        )
        row.save()
    except Exception:
        row.version -= 1
        raise


def _refuse_without_reason(row: Kept, act: Act) -> None:
    if act.reason.strip() and (act.reason != BEFORE_SIGNING or may_go_without_reason(row.entry)):
        return
    raise ValidationError("A change of what is on record needs a reason. Say why.")


def _refuse_if_changed(entry: Kept, seen: int) -> None:
    hold_entry(entry)
    later = list(corrections_of(entry).filter(pk__gt=seen).select_related("made_by"))
    if later:
        raise ChangedMeanwhile(later)


def _note(row: Kept, act: Act, kind: CorrectionKind, before: dict[str, Any], after: dict[str, Any]) -> None:
    noted = noting.correction(row, act, kind, before, after)
    noted.full_clean()
    noted.save()


def _is_moved(before: Kept, row: Kept) -> bool:
    """Whether a row would be part of something else, and so perhaps of another patient."""
    names = (f"{name}_id" for name in row.PART_OF)
    return any(getattr(before, name) != getattr(row, name) for name in names)


def _take_up_saved_references(row: models.Model) -> None:
    """A row built on a then unsaved row learns that one's key."""
    for each in row._meta.concrete_fields:
        if isinstance(each, models.ForeignKey) and each.get_cached_value(row, default=None) is not None:
            setattr(row, each.name, getattr(row, each.name))
