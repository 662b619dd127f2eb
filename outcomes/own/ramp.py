"""Ramp lesions: are they looked for in ACL-torn knees, and found? Counted by the database."""

from dataclasses import dataclass

import pandas as pd
from django.db.models import Case, Count, Exists, OuterRef, QuerySet, Value, When

from outcomes.estimators.rates import Proportion, proportion
from outcomes.published import PublishedFigure, published
from registry.models import IndexProcedure, Surgeon, Tear, Unit
from registry.vocabulary import LigamentState, Pattern, PosteromedialLook

TORN = (LigamentState.TREATED_HERE, LigamentState.STAGED, LigamentState.LEFT)
LOOKS = (PosteromedialLook.THROUGH_NOTCH, PosteromedialLook.PROBED)
RULE = (
    "Operations on knees with a torn ACL: treated in that operation, staged or left. Looked at: through the "
    "notch, or probed by a posteromedial portal; where nothing is recorded, nobody is known to have looked."
)


@dataclass(frozen=True, slots=True)
class Ramp:
    """Of `looked.n` operations on ACL-torn knees `looked.x` had a posteromedial look.

    `found` is among those looked at, `found_without` among the others; of these `not_recorded` say nothing of
    a look, `probed` of those looked at were probed.
    """

    looked: Proportion
    probed: int
    not_recorded: int
    found: Proportion
    found_without: Proportion


def ramp_of(units: QuerySet[Unit], surgeon: Surgeon | None = None) -> tuple[Ramp, Ramp]:
    """The looks and finds of one lead surgeon (of nobody when not given) and of all, in one query."""
    table = _counted(IndexProcedure.objects.filter(unit__in=units), surgeon.pk if surgeon else 0)
    return _ramp(table[table["own"].astype(bool)]), _ramp(table)


def ramp_among(operations: QuerySet[IndexProcedure]) -> Ramp:
    """The looks and finds of these operations, in one query."""
    return _ramp(_counted(operations, 0))


def _counted(operations: QuerySet[IndexProcedure], own_key: int) -> pd.DataFrame:
    found = Tear.objects.filter(procedure=OuterRef("pk"), pattern=Pattern.RAMP)
    rows = (
        operations.filter(acl__in=TORN)
        .order_by()
        .annotate(
            own=Case(When(lead_surgeon=own_key, then=Value(True)), default=Value(False)), found=Exists(found)
        )
        .values_list("own", "posteromedial_look", "found")
        .annotate(n=Count("pk"))
    )
    return pd.DataFrame(list(rows), columns=["own", "look", "found", "n"])


def ramp_in_print() -> tuple[PublishedFigure, ...]:
    """What the literature reports of ramp lesions in ACL-torn knees."""
    return tuple(figure for figure in published() if figure.measure == "ramp_prevalence")


def _ramp(table: pd.DataFrame) -> Ramp:
    looked, found = table["look"].isin(LOOKS), table["found"].astype(bool)

    def count(chosen: "pd.Series[bool]") -> int:
        return int(table.loc[chosen, "n"].sum())

    return Ramp(
        looked=proportion(count(looked), int(table["n"].sum())),
        probed=count(table["look"] == PosteromedialLook.PROBED),
        not_recorded=count(table["look"] == ""),
        found=proportion(count(looked & found), count(looked)),
        found_without=proportion(count(~looked & found), count(~looked)),
    )
