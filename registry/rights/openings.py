"""Who opened what of a patient: one row a person, patient, kind and day.

A page never fails for it and never waits long: where the database has no place for the row within a moment
(SQLite lets one write at a time, and a long intake may hold it), the log is told instead, without any value.
"""

import logging
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any
from uuid import UUID

from django.db import DatabaseError, connection, transaction
from django.db.models import Exists, OuterRef, QuerySet
from django.utils import timezone

from registry.models import Knee, Opening, OpeningKind, Patient, User

# Milliseconds that a page waits for its turn to write.
PATIENCE = 250
UNNOTED = "An opening was not noted: the database gave no place for it in time."

logger = logging.getLogger(__name__)


def note(patient: Patient, user: User, kind: OpeningKind) -> None:
    """Note that a person opened this of a patient, unless it is noted today already."""
    note_all([patient.pk], user, kind)


def note_knee(knee: UUID, user: User, kind: OpeningKind) -> None:
    """The same of the patient of a knee, by its address."""
    _note(Knee.ever.filter(uuid=knee).values_list("patient", flat=True), "patient", user, kind)


def note_all(patients: Iterable[int], user: User, kind: OpeningKind) -> None:
    """The same of many patients, by their keys."""
    _note(Patient.ever.filter(pk__in=set(patients)).values_list("pk", flat=True), "pk", user, kind)


def _note(patients: QuerySet[Any, int], key: str, user: User, kind: OpeningKind) -> None:
    """One query, and one more where something is not noted yet."""
    day = timezone.now().date()
    noted = Opening.objects.filter(user=user, kind=kind, day=day, patient=OuterRef(key))
    try:
        new = list(patients.filter(~Exists(noted)).order_by("pk"))
        if new:
            rows = [Opening(patient_id=patient, user=user, kind=kind, day=day) for patient in new]
            with _a_short_wait():
                Opening.objects.bulk_create(rows, ignore_conflicts=True)
    except DatabaseError:
        logger.warning(UNNOTED, extra={"kind": str(kind), "user": user.pk})


@contextmanager
def _a_short_wait() -> Iterator[None]:
    """A transaction that waits for other writers no longer than a moment; within another, as long as that."""
    if connection.in_atomic_block:
        with transaction.atomic():
            yield
    elif connection.vendor == "postgresql":
        with transaction.atomic():
            _tell(f"SET LOCAL lock_timeout = '{PATIENCE}ms'")
            yield
    else:
        _tell(f"PRAGMA busy_timeout = {PATIENCE}")
        try:
            with transaction.atomic():
                yield
        finally:
            _tell(f"PRAGMA busy_timeout = {int(connection.settings_dict['OPTIONS']['timeout'] * 1000)}")


def _tell(statement: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement)
