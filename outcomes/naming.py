"""The one way in for what people give names to: cohorts, and a unit's own definitions of failure.

A name is checked in words before it is kept. It opens nothing: who follows it sees the units they may see.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import TypeVar

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.utils import timezone

from outcomes.cohort import Cohort, UnknownFilterError
from outcomes.cohort_versions import freeze
from outcomes.definitions import definition_asked, definitions_for
from outcomes.failure import SOURCES, FailureDefinition
from outcomes.models import CohortVersion, NamedCohort, OwnDefinition
from registry.access import Action, units_for
from registry.models import Unit, User

_Row = TypeVar("_Row", NamedCohort, OwnDefinition)

LONGEST_NAME = 60
# What a named cohort keeps: its filters, and the definition of failure under FAILURE.
FAILURE = "failure"
FILTERS = (*(each.name for each in fields(Cohort)), FAILURE)

NO_NAME = f"Name is missing. Enter one of at most {LONGEST_NAME} characters."
TOO_LONG = "'{name}' has {length} characters; a name has at most {longest}. Shorten it."
COHORT_TAKEN = "You have a cohort called '{name}' already. Choose another name, or drop that one first."
DEFINITION_TAKEN = "A definition called '{name}' is in use already. Choose another name, or retire that one."
NO_FILTER = "{name}: '{value}' filters nothing here. Filters are {known}."
SAME_FILTERS = "These are the filters of {version} already. Change one, or leave it as it is."
NOT_YOUR_UNIT = (
    "{unit} is not one of the units whose figures you see. Choose one of those, or share with none."
)
NOTHING_TICKED = "Nothing is ticked. Tick at least one event that ends a repair."
NO_EVENT = "'{code}' is no kind of event. Kinds are {known}."
SAME_EVENTS = "'{name}' counts exactly these events already. Use that one, or tick others."


@transaction.atomic
def name_cohort(
    by: User, name: str, query: Mapping[str, str], shared_with: Unit | None = None
) -> NamedCohort:
    """Keep a cohort under a name, for its maker alone or shared with a unit.

    Raises
    ------
    django.core.exceptions.ValidationError
        By field (name, query, shared_with): what is wrong with it, the rule and the mend.
    """
    # The maker's row is held, so that of two windows giving the same name only one succeeds.
    User.objects.select_for_update().get(pk=by.pk)
    taken = NamedCohort.objects.filter(made_by=by).values_list("name", flat=True)
    named = NamedCohort(made_by=by, shared_with=shared_with, name=_named(name, taken, COHORT_TAKEN))
    filters, definition = _filters(by, query)
    _refuse_other_units(by, shared_with)
    _kept(named)
    freeze(named, 1, by, filters, definition, units_for(by, Action.SEE_FIGURES))
    return named


@transaction.atomic
def new_version(named: NamedCohort, by: User, query: Mapping[str, str]) -> CohortVersion:
    """Let a cohort of one's own stand for other filters from now on; its earlier versions stay as they are.

    Raises
    ------
    django.core.exceptions.ValidationError
        When the filters are wrong, or those of the latest version.
    """
    _refuse_others(named, by)
    # The name's row is held, so that of two windows each gets a number of its own.
    NamedCohort.objects.select_for_update().get(pk=named.pk)
    filters, definition = _filters(by, query)
    latest = named.latest
    if (filters, definition) == (latest.query, latest.definition):
        raise _wrong("query", SAME_FILTERS.format(version=latest))
    return freeze(named, latest.number + 1, by, filters, definition, units_for(by, Action.SEE_FIGURES))


@transaction.atomic
def share_cohort(named: NamedCohort, by: User, shared_with: Unit | None) -> None:
    """Share a cohort with a unit of its maker's, or with nobody; ValidationError as in `name_cohort`."""
    _refuse_others(named, by)
    _refuse_other_units(by, shared_with)
    named.shared_with = shared_with
    _kept(named)


def drop_cohort(named: NamedCohort, by: User) -> None:
    """Forget a name that one gave. Nothing of the record goes by it."""
    _refuse_others(named, by)
    named.delete()


@transaction.atomic
def define_failure(
    by: User, unit: Unit, name: str, sources: Sequence[str], replaces: OwnDefinition | None = None
) -> OwnDefinition:
    """Put a unit's own definition of failure in use, in place of another of that unit's if one is given.

    Raises
    ------
    django.core.exceptions.ValidationError, PermissionDenied
        As `checked_definition`; nothing is saved and nothing retired then.
    """
    # The unit's row is held, so that of two people who define the same only one succeeds.
    Unit.objects.select_for_update().get(pk=unit.pk)
    own = checked_definition(by, unit, name, sources, replaces)
    if replaces:
        retire_definition(replaces, by)
    return _kept(own)


def checked_definition(
    by: User, unit: Unit, name: str, sources: Sequence[str], replaces: OwnDefinition | None = None
) -> OwnDefinition:
    """A definition as it would be put in use, not saved: a name, and kinds of event by the codes of SOURCES.

    Raises
    ------
    django.core.exceptions.ValidationError
        By field (name, sources): what is wrong with it, the rule and the mend.
    django.core.exceptions.PermissionDenied
        When `by` does not define failure for that unit, or `replaces` is another unit's.
    """
    _refuse_who_defines_not(by, unit)
    if replaces and replaces.unit_id != unit.pk:
        raise PermissionDenied
    in_use = definitions_for(Unit.objects.filter(pk=unit.pk))
    others = [known for code, known in in_use.items() if not (replaces and code == replaces.code)]
    name = _named(name, (known.name for known in others), DEFINITION_TAKEN)
    return OwnDefinition(unit=unit, made_by=by, name=name, sources=_ticked(sources, others))


def retire_definition(own: OwnDefinition, by: User) -> None:
    """Offer a definition no longer. What was made with it keeps its name; retired once, it stays so."""
    _refuse_who_defines_not(by, own.unit)
    if own.retired_at is None:
        own.retired_at = timezone.now()
        own.save(update_fields=["retired_at"])


def _named(name: str, taken: Iterable[str], words: str) -> str:
    """A name without needless space, that none of the others has in whatever case."""
    name = " ".join(name.split())
    if not name:
        raise _wrong("name", NO_NAME)
    if len(name) > LONGEST_NAME:
        raise _wrong("name", TOO_LONG.format(name=name, length=len(name), longest=LONGEST_NAME))
    if same := [each for each in taken if each.casefold() == name.casefold()]:
        raise _wrong("name", words.format(name=same[0]))
    return name


def _ticked(codes: Sequence[str], in_use: Iterable[FailureDefinition]) -> list[str]:
    """Kinds of event in their fixed order, each once; no second name for what a definition in use counts."""
    if not codes:
        raise _wrong("sources", NOTHING_TICKED)
    for code in codes:
        if code not in SOURCES:
            raise _wrong("sources", NO_EVENT.format(code=code, known=", ".join(SOURCES)))
    wanted = [code for code in SOURCES if code in codes]
    for known in in_use:
        if [source.code for source in known.sources] == wanted:
            raise _wrong("sources", SAME_EVENTS.format(name=known.name))
    return wanted


def _filters(by: User, query: Mapping[str, str]) -> tuple[dict[str, str], str]:
    """The filters that differ from the default, and the code of the definition, as their maker may see."""
    units = units_for(by, Action.SEE_FIGURES)
    for name, value in query.items():
        if value and name not in FILTERS:
            raise _wrong("query", NO_FILTER.format(name=name, value=value, known=", ".join(FILTERS)))
    try:
        return Cohort.from_query(query, units).query(), definition_asked(query, units).code
    except UnknownFilterError as problem:
        raise _wrong("query", str(problem)) from problem


def _refuse_others(named: NamedCohort, by: User) -> None:
    if named.made_by_id != by.pk:
        raise PermissionDenied


def _refuse_who_defines_not(by: User, unit: Unit) -> None:
    if not units_for(by, Action.DEFINE_FAILURE).filter(pk=unit.pk).exists():
        raise PermissionDenied


def _refuse_other_units(by: User, unit: Unit | None) -> None:
    if unit and not units_for(by, Action.SEE_FIGURES).filter(pk=unit.pk).exists():
        raise _wrong("shared_with", NOT_YOUR_UNIT.format(unit=unit))


def _kept(row: _Row) -> _Row:
    row.full_clean()
    row.save()
    return row


def _wrong(field: str, words: str) -> ValidationError:
    return ValidationError({field: words})
