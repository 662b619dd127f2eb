"""Of two who write about one patient at once, the one that changes what is on record waits or is waited for.

PostgreSQL shows a transaction only what is committed, so a rule across tables could be broken by two at once
that each see it kept: one withdraws an operation, the other records a visit after it. Every such rule is
about the rows of one patient. So whoever adds rows shares that patient's row, and whoever changes any has it
alone, before anything is looked at; what is looked at afterwards is what the other left. Nobody who only adds
waits for another, nor for a long intake. SQLite has one writer at a time.
"""

from collections.abc import Iterable
from typing import Literal

from django.core.exceptions import ObjectDoesNotExist
from django.db import connection, models

from registry.models import Kept, Knee, Patient

Doing = Literal["adding", "changing"]
_LOCKS: dict[Doing, str] = {"adding": "SHARE", "changing": "NO KEY UPDATE"}


def hold(rows: Iterable[models.Model], to: Doing) -> None:
    """Until the transaction ends, others change nothing that is on record of the patients of these rows.

    While one adds, others may add too; while one changes, nobody else does either.
    """
    if connection.features.has_select_for_update:
        hold_patients({key for row in rows if (key := patient_key(row))}, to)


def hold_patients(patients: Iterable[int], to: Doing) -> None:
    """The same for patients by key; in the order of their keys, so that no two wait for each other."""
    keys = list(patients)
    if not keys or not connection.features.has_select_for_update:
        return
    table = connection.ops.quote_name(Patient._meta.db_table)
    one_by_one = f"SELECT 1 FROM {table} WHERE id = ANY(%s) ORDER BY id FOR {_LOCKS[to]}"  # noqa: S608 - our own names
    with connection.cursor() as cursor:
        cursor.execute(one_by_one, [keys])


def patient_of(row: models.Model) -> Patient | None:
    """Whose record a row belongs to; None for a unit's own settings."""
    if isinstance(row, Patient):
        return row
    if isinstance(row, Knee):
        return row.patient
    whole = _whole(row)
    return patient_of(whole) if whole else None


def patient_key(row: models.Model) -> int | None:
    """The key of whose record a row belongs to; None where there is none yet, or the row is not complete."""
    if isinstance(row, Patient):
        return row.pk
    if isinstance(row, Knee):
        return row.patient_id
    try:
        whole = _whole(row)
    except ObjectDoesNotExist:
        return None
    return patient_key(whole) if whole else None


def _whole(row: models.Model) -> Kept | None:
    """What a row of the record is part of, up to the entry and then the knee or patient that it is about."""
    if not isinstance(row, Kept):
        return None
    whole = row.entry if row.entry is not row else getattr(row, row.PART_OF[0], None) if row.PART_OF else None
    return whole if isinstance(whole, Kept) else None
