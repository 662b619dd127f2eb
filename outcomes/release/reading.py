"""The tables of a release before anything is hidden: permitted rows only, pseudonymous, in days."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import pandas as pd
from django.db.models import Count, Exists, OuterRef, Q, QuerySet

from outcomes.cohort import Cohort
from outcomes.definitions import definition_coded
from outcomes.flow import cohort_flow
from outcomes.flow_step import FlowStep
from outcomes.release.asked import Asked
from outcomes.release.columns import CODE, COLUMNS
from outcomes.release.frozen import LOOKS, REOPERATIONS, REPAIRS, SCORES, VISITS
from outcomes.release.pseudonyms import Pseudonyms
from outcomes.release.reading_followup import (
    Released,
    looks_of,
    released,
    reoperations_of,
    scores_of,
    visits_of,
)
from outcomes.release.reading_repairs import KEYS, read_repairs
from registry.models import EndOfFollowUp, Repair, Unit
from registry.telling import Tell
from registry.vocabulary import EndReason, ResearchPermission

_PATIENT = "tear__procedure__knee__patient"
_PERMISSION = f"{_PATIENT}__research_permission"
_STEPS = {
    "permission_not_asked": "Research permission not asked for",
    "permission_refused": "Research permission refused",
    "permission_withdrawn": "Research permission withdrawn",
    "withdrew": "Withdrew from follow-up",
}
_FOLLOW_UP: dict[str, tuple[str, Callable[[Released, Callable[[int], None]], pd.DataFrame]]] = {
    VISITS: ("Reading visits", visits_of),
    SCORES: ("Reading scores", scores_of),
    LOOKS: ("Reading second looks", looks_of),
    REOPERATIONS: ("Reading reoperations", reoperations_of),
}


class UnknownCodeError(ValueError):
    """A column holds what the codebook does not know; nothing of it may leave."""


@dataclass(frozen=True, slots=True)
class Read:
    """The tables by name as in frozen.TABLES, and the flow from all repairs on record to those in them."""

    tables: dict[str, pd.DataFrame]
    flow: tuple[FlowStep, ...]


def read_tables(asked: Asked, units: QuerySet[Unit], pseudonyms: Pseudonyms, tell: Tell) -> Read:
    """Everything of a release in one reading; the caller opens the transaction that makes it consistent.

    Parameters
    ----------
    asked : cohort, definition and attributes; what is not asked for is given up in every row
    units : the units asked for
    pseudonyms : those of the project
    tell : hears the step, the rows done and their number, 0 where not known; what it raises stops the reading

    Raises
    ------
    UnknownFilterError, KeyError
        The cohort's filters or the definition are none that there are.
    UnknownCodeError
        The record holds a code that the codebook does not know.
    """
    cohort = Cohort.from_query(asked.cohort, units)
    steps = permission_steps(cohort, units)
    permitted = permitted_repairs(cohort, units)
    total = steps[-1].remaining
    counted = partial(_said, tell, "Reading repairs", total)
    repairs = read_repairs(permitted, definition_coded(asked.definition), asked, pseudonyms, counted)
    known = released(permitted, repairs)
    tables = {REPAIRS: repairs.drop(columns=list(KEYS))}
    for table, (step, read) in _FOLLOW_UP.items():
        tell(step, 0, 0)
        tables[table] = read(known, partial(_said, tell, step, 0))
    refuse_unknown(tables)
    return Read(tables, (*cohort_flow(cohort, units), *steps))


def permitted_repairs(cohort: Cohort, units: QuerySet[Unit]) -> QuerySet[Repair]:
    """The repairs of a cohort whose patients gave research permission and did not withdraw."""
    permitted = cohort.repairs(units).filter(**{_PERMISSION: ResearchPermission.GIVEN})
    return permitted.exclude(Exists(_withdrew()))


def permission_steps(cohort: Cohort, units: QuerySet[Unit]) -> tuple[FlowStep, ...]:
    """How many repairs each kind of missing permission leaves out, and how many remain; one query."""
    permissions = {f"permission_{code}": Q(**{_PERMISSION: code}) for code in ResearchPermission.values}
    withdrew = permissions.pop(f"permission_{ResearchPermission.GIVEN}") & Q(Exists(_withdrew()))
    reasons = {**permissions, "withdrew": withdrew}
    counts = cohort.repairs(units).aggregate(
        all=Count("pk"), **{code: Count("pk", filter=reason) for code, reason in reasons.items()}
    )
    remaining, steps = counts["all"], []
    for code, label in _STEPS.items():
        remaining -= counts[code]
        steps.append(FlowStep(code, label, counts[code], remaining))
    return tuple(steps)


def kept_with(tables: dict[str, pd.DataFrame], repairs: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The tables with those `repairs` alone: what belongs to a repair that was left out leaves with it."""
    revises = repairs["revises"].where(repairs["revises"].isin(repairs["repair"]), "")
    kept = {REPAIRS: repairs.assign(revises=revises).reset_index(drop=True)}
    for name, table in tables.items():
        if name == REPAIRS:
            continue
        stays = pd.Series(True, index=table.index)
        if "operation" in table:
            stays &= table["operation"].isin(repairs["operation"])
        if "repair" in table:
            stays &= table["repair"].isin(repairs["repair"]) | table["repair"].eq("")
        kept[name] = table[stays].reset_index(drop=True)
    return kept


def _withdrew() -> QuerySet[EndOfFollowUp]:
    """Who withdrew from follow-up is left out too, whatever the permission still says."""
    return EndOfFollowUp.objects.filter(patient=OuterRef(_PATIENT), reason=EndReason.WITHDREW)


def _said(tell: Tell, step: str, total: int, done: int) -> None:
    tell(step, done, total)


def refuse_unknown(tables: dict[str, pd.DataFrame]) -> None:
    """The second net below the rules of the database: no column of codes holds anything else."""
    for name, table in tables.items():
        for column in COLUMNS[name]:
            allowed = {*column.allowed, column.missing}
            if column.type == CODE and column.allowed and not set(table[column.name].unique()) <= allowed:
                raise UnknownCodeError(
                    f"{name}.{column.name}: the record holds a code that is not in the codebook, so nothing "
                    "is released. Correct the entry, or tell whoever keeps this site."
                )
