"""The strata that the database counts by are the rules of the record, case by case."""

import itertools
from datetime import timedelta

import pytest

from outcomes.strata import STRATA
from registry.models import Repair
from registry.vocabulary import LigamentState, Staging
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


def test_every_level_has_a_label():
    assert all(label for stratum in STRATA.values() for label in stratum.levels.values())
