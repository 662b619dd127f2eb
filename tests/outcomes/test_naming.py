"""Naming: what a name may be, whose filters it may keep, and that a definition is replaced, never edited."""

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from outcomes.definitions import definition_coded, definitions_for
from outcomes.failure import DEFINITIONS, SOURCES
from outcomes.models import NamedCohort, OwnDefinition
from outcomes.naming import (
    LONGEST_NAME,
    checked_definition,
    define_failure,
    drop_cohort,
    name_cohort,
    retire_definition,
    share_cohort,
)
from registry.models import Membership, Unit
from registry.recording import record

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

LATERAL = {"meniscus": "lateral", "zone": "RW", "since": "2020-01-01"}


def refused(what, *args, **kwargs):
    """The words of a refusal, by field."""
    with pytest.raises(ValidationError) as refusal:
        what(*args, **kwargs)
    return {field: " ".join(words) for field, words in refusal.value.message_dict.items()}


# --- cohorts ------------------------------------------------------------------------------------


def test_a_name_keeps_what_differs_from_the_default(cast):
    sent = {**LATERAL, "which": "primary", "unit": "", "pattern": "", "failure": "any"}
    named = name_cohort(cast.surgeon, "  Lateral,\n red-white ", sent)
    named.refresh_from_db()
    assert (named.name, named.query, named.definition) == ("Lateral, red-white", LATERAL, "any")
    assert (named.shared_with, named.made_by) == (None, cast.surgeon)


def test_without_a_definition_it_goes_by_reoperation(cast):
    assert name_cohort(cast.surgeon, "All", {}).definition == "reoperation"


@pytest.mark.parametrize(
    ("name", "query", "field", "words"),
    [
        (" \n ", {}, "name", "Name is missing. Enter one of at most 60 characters."),
        ("x" * (LONGEST_NAME + 1), {}, "name", "has 61 characters; a name has at most 60. Shorten it."),
        ("A", {"meniscus": "upper"}, "query", "meniscus: 'upper' is not one of medial, lateral"),
        ("A", {"since": "yesterday"}, "query", "since: 'yesterday' is no day; give it as 2024-03-01."),
        ("A", {"surgeon": "oak"}, "query", "surgeon: 'oak' filters nothing here. Filters are which, unit,"),
        ("A", {"unit": "southmere"}, "query", "unit: 'southmere' is not one of northmere"),
        ("A", {"failure": "own-999"}, "query", "failure: 'own-999' is not one of reoperation, any"),
    ],
)
def test_what_cannot_be_kept_says_so_by_field_value_and_rule(cast, name, query, field, words):
    said = refused(name_cohort, cast.surgeon, name, query)
    assert list(said) == [field]
    assert words in said[field]
    assert not NamedCohort.objects.exists()


def test_a_name_of_the_full_length_fits(cast):
    assert name_cohort(cast.surgeon, "x" * LONGEST_NAME, {}).name == "x" * LONGEST_NAME


def test_one_name_a_maker_in_whatever_case(cast):
    name_cohort(cast.surgeon, "Älteste Reparaturen", {})
    said = refused(name_cohort, cast.surgeon, "äLTESTE  reparaturen", LATERAL)
    assert said == {
        "name": "You have a cohort called 'Älteste Reparaturen' already. "
        "Choose another name, or drop that one first."
    }
    name_cohort(cast.colleague, "älteste Reparaturen", {})
    assert NamedCohort.objects.count() == 2


def test_it_is_shared_with_a_unit_of_its_makers_only(cast):
    said = refused(name_cohort, cast.surgeon, "All", {}, cast.other_unit)
    assert "Southmere Hospital is not one of the units whose figures you see." in said["shared_with"]
    named = name_cohort(cast.surgeon, "All", {}, cast.unit)
    assert "shared_with" in refused(share_cohort, named, cast.surgeon, cast.other_unit)
    share_cohort(named, cast.surgeon, None)
    named.refresh_from_db()
    assert named.shared_with is None


def test_only_its_maker_shares_or_drops_it(cast):
    named = name_cohort(cast.surgeon, "All", {}, cast.unit)
    for act in (
        lambda: drop_cohort(named, cast.colleague),
        lambda: share_cohort(named, cast.audit_lead, None),
    ):
        with pytest.raises(PermissionDenied):
            act()
    drop_cohort(named, cast.surgeon)
    assert not NamedCohort.objects.exists()


# --- definitions --------------------------------------------------------------------------------


def in_use(unit):
    return set(definitions_for(Unit.objects.filter(pk=unit.pk))) - set(DEFINITIONS)


def test_a_unit_defines_its_own(cast):
    own = define_failure(cast.audit_lead, cast.unit, " Looks  only ", ["look", "look"])
    own.refresh_from_db()
    assert (own.name, own.sources, own.made_by, own.retired_at) == (
        "Looks only",
        ["look"],
        cast.audit_lead,
        None,
    )
    assert in_use(cast.unit) == {own.code}
    assert in_use(cast.other_unit) == set()


def test_events_stand_in_their_fixed_order(cast):
    backwards = list(SOURCES)[:-1][::-1]
    assert define_failure(cast.audit_lead, cast.unit, "Most", backwards).sources == list(SOURCES)[:-1]


@pytest.mark.parametrize("who", ["surgeon", "clinician", "coordinator", "administrator", "stranger"])
def test_only_who_leads_its_audit_defines_for_a_unit(cast, who):
    own = define_failure(cast.audit_lead, cast.unit, "Looks only", ["look"])
    for act in (
        lambda: define_failure(getattr(cast, who), cast.unit, "Mine", ["imaging"]),
        lambda: retire_definition(own, getattr(cast, who)),
    ):
        with pytest.raises(PermissionDenied):
            act()
    assert in_use(cast.unit) == {own.code}


def test_leading_one_units_audit_opens_no_other_unit(cast):
    with pytest.raises(PermissionDenied):
        define_failure(cast.audit_lead, cast.other_unit, "Looks only", ["look"])


@pytest.mark.parametrize(
    ("name", "sources", "field", "words"),
    [
        ("", ["look"], "name", "Name is missing."),
        ("x" * 61, ["look"], "name", "at most 60"),
        ("ANY failure", ["look"], "name", "A definition called 'Any failure' is in use already."),
        ("looks ONLY", ["imaging"], "name", "A definition called 'Looks only' is in use already."),
        ("Nothing", [], "sources", "Nothing is ticked."),
        ("Odd", ["look", "death"], "sources", "'death' is no kind of event. Kinds are reoperated, "),
        ("Two", ["look"], "sources", "'Looks only' counts exactly these events already."),
        ("All", list(SOURCES), "sources", "'Any failure' counts exactly these events already."),
    ],
)
def test_a_definition_that_cannot_be_says_why(cast, name, sources, field, words):
    define_failure(cast.audit_lead, cast.unit, "Looks only", ["look"])
    said = refused(define_failure, cast.audit_lead, cast.unit, name, sources)
    assert list(said) == [field]
    assert words in said[field]
    assert OwnDefinition.objects.count() == 1


def test_a_retired_definition_is_offered_no_longer_and_keeps_its_name(cast):
    own = define_failure(cast.audit_lead, cast.unit, "Looks only", ["look"])
    retire_definition(own, cast.audit_lead)
    first_retired = OwnDefinition.objects.get().retired_at
    retire_definition(own, cast.audit_lead)
    assert OwnDefinition.objects.get().retired_at == first_retired
    assert in_use(cast.unit) == set()
    assert definition_coded(own.code).name == "Looks only"
    assert "query" in refused(name_cohort, cast.surgeon, "All", {"failure": own.code})
    again = define_failure(cast.audit_lead, cast.unit, "Looks only", ["look"])
    assert in_use(cast.unit) == {again.code} != {own.code}


def test_a_changed_definition_takes_the_place_of_the_old_one(cast):
    old = define_failure(cast.audit_lead, cast.unit, "Looks", ["look"])
    new = define_failure(cast.audit_lead, cast.unit, "Looks", ["look", "imaging"], replaces=old)
    old.refresh_from_db()
    assert old.retired_at
    assert old.sources == ["look"]
    assert in_use(cast.unit) == {new.code}


def test_refused_it_retires_nothing(cast):
    old = define_failure(cast.audit_lead, cast.unit, "Looks", ["look"])
    refused(define_failure, cast.audit_lead, cast.unit, "Any failure", ["imaging"], replaces=old)
    assert in_use(cast.unit) == {old.code}


def test_it_takes_the_place_of_one_of_its_own_unit_only(cast):
    record(Membership(user=cast.audit_lead, unit=cast.other_unit, role="audit_lead"))
    elsewhere = define_failure(cast.audit_lead, cast.other_unit, "Looks", ["look"])
    with pytest.raises(PermissionDenied):
        define_failure(cast.audit_lead, cast.unit, "Looks", ["look"], replaces=elsewhere)
    assert in_use(cast.other_unit) == {elsewhere.code}


def test_a_checked_definition_is_not_saved(cast):
    assert checked_definition(cast.audit_lead, cast.unit, "Looks", ["look"]).pk is None
    assert not OwnDefinition.objects.exists()
