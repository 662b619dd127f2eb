"""An intake undone as a whole: everything it brought withdrawn in one act, while nothing was built on it."""

from collections.abc import Iterator
from itertools import islice
from typing import Any

from django.db import models, transaction
from django.utils import timezone

from registry.intake.files import NotNow, refuse_stranger
from registry.intake.people.building import TABLES
from registry.models import Correction, IdentityView, IndexProcedure, Intake, IntakeRow, Knee, User
from registry.models.people import ABOUT_REVIEWS, SIGNS_OF_LIFE
from registry.recording import Act, withdraw_together
from registry.vocabulary import IntakeState

# What cannot lie before a knee's first operation, with its date.
FOLLOWING = {
    name: day
    for name, day in (SIGNS_OF_LIFE | ABOUT_REVIEWS).items()
    if name not in ("procedures", "scores", "booked_visits")
}
# What refers to a patient or knee without building on what is recorded of them.
BUILDS_ON_NOTHING = (IdentityView, Correction)
LONGEST_REASON = 200
ROWS_AT_ONCE = 500


class BuiltOn(NotNow):
    """An intake cannot be undone: `reasons` says what was built on it."""

    def __init__(self, reasons: list[str]) -> None:
        super().__init__(
            f"It cannot be undone: {' '.join(reasons)} Withdraw single entries on their pages instead."
        )
        self.reasons = tuple(reasons)


@transaction.atomic
def undo(intake: Intake, by: User, reason: str) -> None:
    """Withdraw all that an intake brought. The file may be taken in again afterwards.

    Raises
    ------
    BuiltOn
        Something was added to it, or corrected in it, since.
    NotNow
        It is not taken in, or no reason is given.
    django.core.exceptions.PermissionDenied
        Who undoes it may not take in for its unit.
    """
    refuse_stranger(intake.unit, by)
    intake.refresh_from_db(from_queryset=Intake.objects.select_for_update())
    if intake.state != IntakeState.TAKEN_IN:
        raise NotNow(f"It cannot be undone: it is {intake.get_state_display().lower()}.")
    if not reason.strip():
        raise NotNow("Undoing takes everything it brought out of every figure. Say why.")
    if reasons := built_on(intake):
        raise BuiltOn(reasons)
    act = Act(by, f"Intake undone: {reason.strip()}"[:LONGEST_REASON])
    for table in _last_first():
        for keys in _chunks(_brought(intake, table)):
            withdraw_together(list(table.objects.filter(pk__in=keys).select_related(*_wholes(table))), act)
    intake.state, intake.undone_because = IntakeState.UNDONE, reason.strip()[:LONGEST_REASON]
    intake.undone_by, intake.undone_at = by, timezone.now()
    intake.save(update_fields=["state", "undone_because", "undone_by", "undone_at"])


def built_on(intake: Intake) -> list[str]:
    """What was corrected in it or added to it since it was taken in, in words; empty if it can be undone."""
    of_rows = [
        words for table in _last_first() for words in (*_corrected(intake, table), *_added(intake, table))
    ]
    return [*of_rows, *_stranded(intake)]


def _last_first() -> Iterator[Any]:
    """The tables an intake brings rows of, what refers to others first."""
    return iter(TABLES[::-1])


def _brought(intake: Intake, table: type[models.Model]) -> "models.QuerySet[Any, Any]":
    return IntakeRow.objects.filter(intake=intake, row_table=table._meta.db_table).values("row_id")


def _corrected(intake: Intake, table: Any) -> Iterator[str]:
    count = table.ever.filter(pk__in=_brought(intake, table), version__gt=1).count()
    if count:
        yield f"{_counted(count, table)} of it {_was(count)} corrected, signed or withdrawn since."


def _added(intake: Intake, table: Any) -> Iterator[str]:
    """Standing rows that refer to a brought one and came otherwise."""
    for relation in table._meta.related_objects:
        model: Any = relation.related_model
        if model in BUILDS_ON_NOTHING:
            continue
        rows = model.objects.filter(**{f"{relation.field.name}__in": _brought(intake, table)})
        if model in TABLES:
            rows = rows.exclude(pk__in=_brought(intake, model))
        if count := rows.count():
            yield f"{_counted(count, model)} {_was(count)} added to a {table._meta.verbose_name} of it."


def _stranded(intake: Intake) -> Iterator[str]:
    """Events of a knee known before that lie after no operation but those brought."""
    brought = _brought(intake, IndexProcedure)
    others = IndexProcedure.objects.exclude(pk__in=brought)
    knees = (
        IndexProcedure.objects.filter(pk__in=brought).exclude(knee__in=_brought(intake, Knee)).values("knee")
    )
    for name, day in FOLLOWING.items():
        model: Any = Knee._meta.get_field(name).related_model
        before = others.filter(knee=models.OuterRef("knee"), operated_on__lte=models.OuterRef(day))
        rows = model.objects.filter(knee__in=knees).exclude(pk__in=_brought(intake, model))
        if count := rows.exclude(models.Exists(before)).count():
            yield f"Without it {_counted(count, model)} would lie before any operation on the knee."


def _wholes(table: Any) -> list[str]:
    """The way from a row to the patient it is of, so that one query brings all of it."""
    names = []
    while table.PART_OF:
        names.append(table.PART_OF[0])
        table = table._meta.get_field(names[-1]).related_model
    return ["__".join(names)] if names else []


def _chunks(brought: "models.QuerySet[Any, Any]") -> Iterator[list[int]]:
    keys = iter(list(brought.values_list("row_id", flat=True)))
    while some := list(islice(keys, ROWS_AT_ONCE)):
        yield some


def _counted(count: int, table: Any) -> str:
    return f"{count} {table._meta.verbose_name if count == 1 else table._meta.verbose_name_plural}"


def _was(count: int) -> str:
    return "was" if count == 1 else "were"
