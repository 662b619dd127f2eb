"""Which cohorts and splits may be shown to a person: none that isolates the results of one other surgeon.

A repair is hidden when the person may not see its lead surgeon's results by name (access.results_shown). A
narrowed cohort is shown when its hidden repairs come from no surgeon or from two or more, and so do those
that it leaves out: else the difference from the whole would be one surgeon's. A split is shown when that
holds at each of its levels; a single level is not left out, because the sum and the others would tell it,
but such levels may be taken together with the least of the others until two surgeons mix.
The whole of a unit, or of all units of the person, is always shown: it is the units'.

What this cannot do. Where only one other surgeon works, the whole less one's own is theirs; there is then no
narrowed cohort and no split. A second surgeon with one repair hides little. Each question is judged by
itself, so answers subtracted from each other (the same filters in one unit and in two, with revisions and
without, to one day and to the next) can still single out a surgeon, as in any set of tables with free
filters; so can surgeons who pool what they know of their own. And whoever may read the record reads single
repairs there. The rule keeps figures from ranking people; it is no proof against a colleague bent on one.

The surgeons of a cohort are asked for in one query of repairs, and again only when the record, the question
or what the person may see by name has changed.
"""

from collections.abc import Iterable, Sequence

from django.db.models import Count, Q, QuerySet

from outcomes.cache import remembered
from outcomes.cohort import Cohort
from outcomes.strata import Stratum, taken_together
from registry.access import Person, results_of, units_showing_surgeons
from registry.models import Repair, Unit

_PROCEDURE = "tear__procedure__"
_LEAD = f"{_PROCEDURE}lead_surgeon"

RULE = "Figures never show the results of one other surgeon."
ONE_INSIDE = (
    f"{RULE} Of the repairs within these filters, those that you may not see by name are all of one surgeon. "
    "Widen the filters."
)
ONE_OUTSIDE = (
    f"{RULE} Of the repairs outside these filters, those that you may not see by name are all of one "
    "surgeon, whose results would be the difference from the whole. Widen the filters or take them off."
)


def refusal(person: Person, cohort: Cohort, units: QuerySet[Unit]) -> str:
    """Why a cohort is not shown to this person, with the mend; empty when it is."""
    if not cohort.is_narrowed:
        return ""
    whole = Cohort(which=cohort.which, unit=cohort.unit)

    def count() -> dict[str, int]:
        inside = Q(pk__in=cohort.repairs(units).values("pk"))
        hidden = _hidden(whole.repairs(units), sees)
        return hidden.aggregate(inside=_surgeons(inside), outside=_surgeons(~inside))

    sees = _sees(person)
    surgeons = remembered("surgeons in and out", (cohort, _keys(units), sees), count)
    if surgeons["inside"] == 1:
        return ONE_INSIDE
    return ONE_OUTSIDE if surgeons["outside"] == 1 else ""


def splits_shown(
    person: Person, cohort: Cohort, units: QuerySet[Unit], strata: Iterable[Stratum]
) -> list[Stratum]:
    """Those of the strata by which a cohort that is not refused may be split, in their order."""
    asked = list(strata)
    whole = joined_splits(person, cohort, units, asked)
    return [stratum for stratum in asked if any(stratum is shown for shown in whole)]


def joined_splits(
    person: Person, cohort: Cohort, units: QuerySet[Unit], strata: Iterable[Stratum]
) -> list[Stratum]:
    """As `splits_shown`, with levels taken together where each alone would be one surgeon's."""
    asked = list(strata)
    if not asked:
        return []

    def count() -> list[dict[str, set[int]]]:
        return _surgeons_by_level(_hidden(cohort.repairs(units), sees), asked)

    sees = _sees(person)
    split = tuple((stratum.code, *stratum.levels) for stratum in asked)
    surgeons = remembered("surgeons by level", (cohort, split, _keys(units), sees), count)
    joined = (_joined(stratum, found) for stratum, found in zip(asked, surgeons, strict=True))
    return [stratum for stratum in joined if stratum]


def _surgeons_by_level(repairs: QuerySet[Repair], strata: Sequence[Stratum]) -> list[dict[str, set[int]]]:
    """Of each stratum the lead surgeons, by key, at each of its levels."""
    levels = {_level(stratum): stratum.expression for stratum in strata}
    rows = repairs.annotate(**levels).values_list(*levels, _LEAD).distinct()
    surgeons: list[dict[str, set[int]]] = [{} for _ in strata]
    for *codes, lead in rows.order_by():
        for found, code in zip(surgeons, codes, strict=True):
            found.setdefault(code, set()).add(lead)
    return surgeons


def _sees(person: Person) -> tuple[int | None, tuple[int, ...]]:
    """Who it is and in which units results go by name to them; roles are not counted by the data version."""
    return getattr(person, "pk", None), _keys(units_showing_surgeons(person))


def _keys(units: QuerySet[Unit]) -> tuple[int, ...]:
    return tuple(sorted(units.values_list("pk", flat=True)))


def _joined(stratum: Stratum, surgeons: dict[str, set[int]]) -> Stratum | None:
    """The stratum with the levels of one surgeon taken together; None where no two levels are left."""
    alone = [code for code, leads in surgeons.items() if len(leads) == 1]
    if not alone:
        return stratum
    others = sorted(surgeons.keys() - {*alone}, key=lambda code: (len(surgeons[code]), code))
    together = set().union(*(surgeons[code] for code in alone))
    while len(together) == 1 and others:
        alone.append(others.pop(0))
        together |= surgeons[alone[-1]]
    return taken_together(stratum, alone) if len(together) > 1 and others else None


def _hidden(repairs: QuerySet[Repair], sees: tuple[int | None, tuple[int, ...]]) -> QuerySet[Repair]:
    """Those whose results do not go by name to whoever `_sees` so much."""
    person, units = sees
    return repairs if person is None else repairs.exclude(results_of(person, units, _PROCEDURE))


def _surgeons(condition: Q) -> Count:
    return Count(_LEAD, distinct=True, filter=condition)


def _level(stratum: Stratum) -> str:
    return f"level_of_{stratum.code}"
