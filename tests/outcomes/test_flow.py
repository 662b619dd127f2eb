"""The flow of a cohort adds up, step by step, in one query."""

from dataclasses import replace
from itertools import pairwise

import pytest

from outcomes.cohort import Cohort
from outcomes.flow import cohort_flow
from outcomes.flow_step import FlowStep
from registry.models import Unit
from tests import factories

pytestmark = pytest.mark.django_db

NARROW = Cohort(meniscus="medial", zone="RR", since="2020-01-01", until="2030-01-01", smoking="unknown")


@pytest.fixture
def some_repairs(cast):
    for meniscus, zone in (("lateral", "RR"), ("medial", "RW"), ("medial", "RR")):
        procedure = factories.an_operation(cast.unit, cast.oak, factories.a_knee(cast.unit))
        factories.a_repair(procedure, meniscus=meniscus, vascular_zone=zone)


def of(cast):
    return Unit.objects.filter(pk=cast.unit.pk)


def test_each_rule_tells_whom_it_left_out(cast, some_repairs):
    steps = cohort_flow(replace(NARROW, since="", smoking=""), of(cast))
    every = steps[0].remaining
    assert steps[0] == FlowStep("assessed", "Repairs on record", 0, every)
    assert [step.code for step in steps] == ["assessed", "which", "meniscus", "zone", "until"]
    assert [step.label for step in steps[1:4]] == [
        "Primary repairs",
        "Of the medial meniscus",
        "In vascular zone red-red",
    ]
    assert steps[2].left_out == 1


@pytest.mark.parametrize(
    "cohort", [Cohort(), Cohort(which="all"), NARROW, Cohort(unit="northmere", age="from_40")]
)
def test_it_adds_up_and_ends_with_the_cohort(cast, some_repairs, cohort, django_assert_num_queries):
    with django_assert_num_queries(1):
        steps = cohort_flow(cohort, of(cast))
    assert steps[-1].remaining == cohort.repairs(of(cast)).count()
    for before, after in pairwise(steps):
        assert before.remaining == after.left_out + after.remaining


def test_the_order_of_rules_is_that_of_the_sentence(cast):
    sentence = NARROW.sentence(of(cast))
    told = [step.label for step in cohort_flow(NARROW, of(cast))[1:-2]]
    places = [sentence.lower().index(label.lower()) for label in told]
    assert places == sorted(places)
