"""Erasure: a patient's identity goes, or their whole record; nowhere else are rows of the record taken away.

One transaction. Its `Erasure` row, in hand until everything is done, is what the rules of the database let it
pass by (see registry/models/history_rules.py); afterwards it tells that there was somebody, and names nobody.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import reduce
from operator import or_
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import connection
from django.db.models import Model, Q
from django.utils import timezone

from registry.access import Action, units_for
from registry.isolation.erasing import as_erasing
from registry.isolation.scope import whole_house
from registry.models import (
    Correction,
    EndOfFollowUp,
    Erasure,
    IndexProcedure,
    IntakeRow,
    Knee,
    Patient,
    Unit,
    User,
)
from registry.retrying import retried
from registry.rights import blanking, working_data
from registry.rights.belonging import Keys, keys_of
from registry.rights.free_text import GONE
from registry.vocabulary import EndReason, ResearchPermission

Rows = dict[str, int]
ASKED_LATER = "{day} lies in the future. Enter the day on which the patient asked."
NO_REASON = "Reason is missing. Say why: what the patient asked, and what the decision rests on."
ELSEWHERE = (
    "{units} also holds entries of this patient, and you do not manage it. An erasure takes from every unit: "
    "agree on it there, and let somebody do it who manages all of them."
)


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked: whose record, on behalf of which unit, by whom, since when and why."""

    patient: Patient
    unit: Unit
    by: User
    asked_on: date
    reason: str
    # Nothing stays, although research was permitted.
    everything: bool = False
    # By whoever runs the server, once all units agreed: nobody need manage them all.
    for_every_unit: bool = False


def may_keep_outcome(patient: Patient) -> bool:
    """Whether repairs and outcomes may stay without a name: research is permitted, and was not left."""
    left = EndOfFollowUp.objects.filter(patient=patient, reason=EndReason.WITHDREW)
    return patient.research_permission == ResearchPermission.GIVEN and not left.exists()


def units_concerned(patient: Patient) -> list[Unit]:
    """The units whose record an erasure takes from: the patient's own, and wherever they were operated on."""
    operated = IndexProcedure.ever.filter(knee__patient=patient).values("unit")
    return list(Unit.objects.filter(pk__in=operated) | Unit.objects.filter(pk=patient.unit_id))


def why_not(patient: Patient, person: User) -> str:
    """Why a person may not erase a patient: the units that they do not manage; empty when they may."""
    managed = set(units_for(person, Action.MANAGE_UNIT))
    others = [str(unit) for unit in units_concerned(patient) if unit not in managed]
    return ELSEWHERE.format(units=" and ".join(others)) if others else ""


def going(patient: Patient, keeps_outcome: bool) -> Keys:
    """The keys of the rows that an erasure removes, by table, each after those that its rows are part of."""
    keys = keys_of(patient)
    if not keeps_outcome:
        return keys
    identity = _corrections_of(keys, GONE)
    return {model: held for model, held in keys.items() if model in GONE} | {Correction: identity}


def erase(asked: Request) -> Erasure:
    """Erase a patient, whole or not at all; figures are worked out anew, since the record was written to.

    Raises
    ------
    django.core.exceptions.ValidationError
        The day lies in the future, no reason is given, or a unit concerned is not managed by who asks.
    Patient.DoesNotExist
        Somebody erased the patient meanwhile.
    """
    if asked.asked_on > timezone.now().date():
        raise ValidationError({"asked_on": ASKED_LATER.format(day=asked.asked_on.isoformat())})
    if not asked.reason.strip():
        raise ValidationError({"reason": NO_REASON})
    _overwrite_what_goes()
    with whole_house():
        return retried(lambda: _erase_as_erasing(asked))


def _erase_as_erasing(asked: Request) -> Erasure:
    with as_erasing():
        return _erase(asked)


def _erase(asked: Request) -> Erasure:
    patient = _held(asked)
    keeps = may_keep_outcome(patient) and not asked.everything
    erasure = Erasure.objects.create(
        unit=asked.unit,
        patient_uuid=patient.uuid,
        asked_on=asked.asked_on,
        by=asked.by,
        reason=" ".join(asked.reason.split()),
        keeps_outcome=keeps,
    )
    keys = going(patient, keeps)
    rows = working_data.forget(patient, _uuids(keys_of(patient)))
    rows |= _leave_to_others(patient, keys) | _remove(keys)
    rows |= blanking.blank(patient) if keeps else {}
    erasure.rows, erasure.in_hand = rows, False
    erasure.save(update_fields=["rows", "in_hand"])
    return erasure


def _held(asked: Request) -> Patient:
    """The patient, held with every knee; only then is it judged whose units they are, since none is added."""
    patient = Patient.ever.select_for_update().get(pk=asked.patient.pk)
    # Nobody adds anything to a knee that is held, whatever it is.
    list(Knee.ever.select_for_update().filter(patient=patient).order_by("pk"))
    if not asked.for_every_unit and (refusal := why_not(patient, asked.by)):
        raise ValidationError(refusal)
    return patient


def _remove(keys: Keys) -> Rows:
    """Take the rows away, parts before what they are part of; also the note that an intake brought them."""
    brought = (Q(row_table=model._meta.db_table, row_id__in=held) for model, held in keys.items())
    notes = IntakeRow.objects.filter(reduce(or_, brought)).values_list("pk", flat=True)
    removed = {"registry_intakerow removed": _delete(IntakeRow, notes)}
    removed |= {f"{model._meta.db_table} removed": _delete(model, keys[model]) for model in reversed(keys)}
    return {what: count for what, count in removed.items() if count}


def _delete(model: type[Model], keys: Iterable[int]) -> int:
    """Delete rows by key, and nothing else: what hangs on them is deleted by its own keys."""
    rows: Any = model._base_manager.filter(pk__in=list(keys))
    count: int = rows._raw_delete(rows.db)
    return count


def _leave_to_others(patient: Patient, keys: Mapping[type[Model], set[int]]) -> Rows:
    """Corrections made while a row was this patient's that is another's by now stay, and point to nobody."""
    if Patient not in keys:
        return {}
    others = Correction.objects.filter(patient=patient).exclude(pk__in=keys[Correction])
    count = others.update(patient=None)
    return {"registry_correction left to others": count} if count else {}


def _corrections_of(keys: Keys, models: Iterable[type[Model]]) -> set[int]:
    tables = [model._meta.db_table for model in models]
    of_tables = Correction.objects.filter(pk__in=keys[Correction], row_table__in=tables)
    return set(of_tables.order_by().values_list("pk", flat=True))


def _uuids(keys: Keys) -> set[UUID]:
    """The internal keys under which pages and programs know these rows."""
    return {
        uuid
        for model, held in keys.items()
        if any(each.name == "uuid" for each in model._meta.concrete_fields)
        for uuid in model._base_manager.filter(pk__in=held).values_list("uuid", flat=True)
    }


def _overwrite_what_goes() -> None:
    """Have SQLite write zeros over what is deleted; PostgreSQL frees it when it next cleans the table."""
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA secure_delete = ON")
