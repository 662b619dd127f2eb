"""Mistakes put right: they stand in the history, and what counts is what was meant."""

from collections import Counter
from dataclasses import replace

import pytest
from django.db import transaction

from registry.demo.cast import Cast
from registry.demo.load import load
from registry.demo.scenario import generate
from registry.demo.truth import Truth
from registry.models import Correction, IndexProcedure, Tear, Visit
from tests.registry.demo.conftest import UNTIL
from tests.registry.demo.telling import Stories, knees, procedures, tears

pytestmark = pytest.mark.any_engine


def test_a_few_mistakes_are_put_right(stories: Stories) -> None:
    slips = Counter(slip.field for each in procedures(stories) for slip in each.note.slips)
    assert set(slips) == {"bmi", "length_mm"}
    assert 15 <= slips.total() <= 25
    assert 3 <= sum(len(knee.duplicates) for knee in knees(stories)) <= 8


@pytest.fixture
def mistaken(truth: Truth) -> Stories:
    """Stories in which everything that can be mistyped was, and each visit entered twice."""
    keeping = replace(truth.keeping, bmi_mistyped=1.0, length_mistyped=1.0, visit_entered_twice=1.0)
    told = list(generate(4, 6, UNTIL, replace(truth, keeping=keeping)))
    load(told, Cast.read(), UNTIL, lambda _: "cobalt-meadow-19")
    return told


@pytest.mark.django_db
def test_what_was_meant_stands_and_what_was_typed_is_kept(mistaken: Stories) -> None:
    for told in procedures(mistaken):
        kept = IndexProcedure.objects.get(uuid=told.uuid)
        assert kept.bmi == told.background.bmi
        if told.background.bmi is not None:
            assert kept.version == 2
            correction = Correction.objects.get(row_table=IndexProcedure._meta.db_table, row_id=kept.pk)
            assert correction.before == {"bmi": str(told.background.bmi + 10)}
            assert correction.after == {"bmi": str(told.background.bmi)}
            assert correction.made_by == kept.lead_surgeon.user
            assert correction.reason
    for tear in tears(mistaken):
        assert Tear.objects.get(uuid=tear.uuid).length_mm == tear.length_mm


@pytest.mark.django_db
def test_of_a_visit_entered_twice_one_counts(mistaken: Stories) -> None:
    visits = [visit for knee in knees(mistaken) for visit in knee.visits]
    assert len(visits) > 5
    assert {visit.uuid for visit in Visit.objects.all()} == {visit.uuid for visit in visits}
    assert Visit.ever.count() == 2 * len(visits)
    assert Correction.objects.filter(kind="withdrawn").count() == len(visits)


@pytest.mark.django_db
def test_the_history_is_the_same_every_time(truth: Truth) -> None:
    keeping = replace(truth.keeping, bmi_mistyped=0.3, length_mistyped=0.3, visit_entered_twice=0.3)

    def history() -> list[tuple[object, ...]]:
        with transaction.atomic():
            stories = generate(6, 6, UNTIL, replace(truth, keeping=keeping))
            load(stories, Cast.read(), UNTIL, lambda _: "cobalt-meadow-19")
            told = list(Correction.objects.values_list("kind", "row_table", "reason", "made_by__username"))
            transaction.set_rollback(True)
        return told

    first = history()
    assert len(first) > 5
    assert history() == first
