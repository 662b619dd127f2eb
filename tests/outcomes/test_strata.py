"""The strata that the database counts by are the rules of the record, case by case."""

import itertools
from datetime import date, timedelta

import pytest

from outcomes.strata import STRATA
from registry.models import Repair
from registry.rules.indications import PREREQUISITES
from registry.vocabulary import Answer, LigamentState, Staging
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def unit():
    return factories.a_unit("northmere")


@pytest.fixture
def surgeon(unit):
    return factories.a_surgeon(unit, "oak")


def level(stratum):
    return Repair.objects.annotate(level=STRATA[stratum].expression).get().level


@pytest.mark.parametrize("days", [None, 0, 42, 43, 90, 91, 4000])
def test_acuity_in_the_database_is_the_rule(unit, surgeon, days):
    injured_on = None if days is None else factories.OPERATED_ON - timedelta(days=days)
    procedure = factories.an_operation(unit, surgeon, injured_on=injured_on)
    factories.a_repair(procedure)
    assert level("acuity") == procedure.acuity


@pytest.mark.parametrize(
    ("acl", "mcl", "staging"),
    list(itertools.product(LigamentState.values, ["intact", "treated_here", "staged"], Staging.values)),
)
def test_ligament_surgery_in_the_database_is_the_rule(unit, surgeon, acl, mcl, staging):
    procedure = factories.an_operation(unit, surgeon, acl=acl, mcl=mcl, staging=staging)
    factories.a_repair(procedure)
    assert level("ligament") == procedure.ligament_surgery


@pytest.mark.parametrize("zone", ["RR", "RW", "WW", ""])
def test_zone_not_recorded_is_unknown(unit, surgeon, zone):
    factories.a_repair(factories.an_operation(unit, surgeon), vascular_zone=zone)
    assert level("zone") == (zone or "unknown")


@pytest.mark.parametrize("answers", list(itertools.product(Answer.values, repeat=2)))
def test_indications_in_the_database_are_the_rule(unit, surgeon, answers):
    met = dict.fromkeys(PREREQUISITES, Answer.YES) | dict(zip(PREREQUISITES, answers, strict=False))
    procedure = factories.an_operation(unit, surgeon, **met)
    factories.a_repair(procedure)
    verdict = procedure.indication_verdict.verdict
    assert level("indications") == ("unknown" if verdict == "not_assessable" else verdict)


@pytest.mark.parametrize(
    ("born_on", "band"),
    [
        (date(2004, 3, 1), "under_30"),  # twenty on the day
        (date(2004, 3, 2), "under_20"),
        (date(1994, 2, 28), "under_40"),
        (date(1994, 3, 2), "under_30"),
        (date(1984, 3, 1), "from_40"),
        (date(1984, 3, 2), "under_40"),
        (date(2004, 2, 29), "under_30"),
    ],
)
def test_age_in_the_database_is_in_completed_years(unit, surgeon, born_on, band):
    procedure = factories.an_operation(unit, surgeon, factories.a_knee(unit, born_on=born_on))
    factories.a_repair(procedure)
    first = {"under_20": 0, "under_30": 20, "under_40": 30, "from_40": 40}[band]
    assert level("age") == band
    assert first <= procedure.age_at_operation < {0: 20, 20: 30, 30: 40, 40: 200}[first]


def test_a_technique_alone_and_several(unit, surgeon):
    repair = factories.a_repair(factories.an_operation(unit, surgeon))
    assert level("technique") == "all_inside"
    factories.corrected(repair, outside_in=True)
    assert level("technique") == "several"


def test_every_level_has_a_label():
    assert all(label for stratum in STRATA.values() for label in stratum.levels.values())
