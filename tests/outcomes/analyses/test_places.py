"""Where repairs fail: counts by place of the tear map, by hand, and what is printed of few."""

from datetime import timedelta

import pytest

from outcomes.analyses.context import Context
from outcomes.analyses.places import Place, places_result
from outcomes.charts.places import SHADES, places_figure
from outcomes.estimators.rates import proportion
from outcomes.failure import REOPERATION
from outcomes.survival import count_repairs
from registry.models import Repair
from registry.tear_map import rows
from tests import factories
from tests.outcomes.analyses.counting import CLOSED_ON, COHORT

# The places used: medial posterior third at the rim, and lateral middle third without a rim zone.
BUSY, SPARSE = {"map_step": 10, "rim_zone": 1}, {"map_step": 6, "meniscus": "lateral"}


@pytest.fixture
def put(db):
    """Put a repair of a place on record: failed on a day, or called on it."""
    unit = factories.a_unit("northmere")
    oak = factories.a_surgeon(unit, "oak")

    def one(day, *, failed=False, **tear):
        repair = factories.a_repair(factories.an_operation(unit, oak), **tear)
        (factories.a_failure if failed else factories.a_contact)(repair, day)
        return repair

    return one


@pytest.fixture
def mapped(put):
    """Of the busy place 7: two failed by two years, one on day 900, three stand, one is known to day 100."""
    for day in (90, 730, 900):
        put(day, failed=True, **BUSY)
    for day in (730, 800, 920, 100):
        put(day, **BUSY)
    put(300, failed=True, **SPARSE)
    put(900, **SPARSE)
    put(200, failed=True)
    put(900)
    late = put(400, failed=True, **BUSY)
    factories.corrected_in_database(late, recorded_at=late.recorded_at + timedelta(days=200))


def result_of(repairs):
    counted = count_repairs(repairs, REOPERATION, (), CLOSED_ON)
    return places_result(repairs, REOPERATION, Context.of(COHORT, REOPERATION, CLOSED_ON, counted))


def test_places_are_as_counted_by_hand(mapped, django_assert_num_queries):
    context = result_of(Repair.objects.all()).context
    with django_assert_num_queries(3):
        result = places_result(Repair.objects.all(), REOPERATION, context)
    assert result.places == (
        # By two years 2 failed, of the 6 that failed then or were followed so long: not the one of day 100.
        Place("medial", 10, 1, 7, 3, proportion(2, 6)),
        Place("lateral", 6, None, 2, 1, proportion(1, 2)),
    )
    assert (result.n, result.failures) == (9, 4)
    assert (result.not_placed, result.not_placed_failures) == (2, 1)
    assert result.left_out == 1
    assert any("Left out: 1 repair entered later" in caution for caution in result.cautions)
    assert not any("at risk only from the day of entry" in caution for caution in result.cautions)


def test_the_share_is_printed_and_shaded_where_enough_are_followed(mapped):
    figure = places_figure(result_of(Repair.objects.all()))
    cell = next(
        cell
        for row in rows("right")
        for cell in row.cells
        if (cell.meniscus, cell.step, cell.zone) == ("medial", 10, 1)
    )
    _, shares, counts = figure.plot["data"]
    assert (shares["text"], shares["x"], shares["y"]) == (["33"], [cell.centre.x], [cell.centre.y])
    # Without a rim zone it has no cell: told in the table alone.
    assert counts["text"] == []
    # 33 % falls into the darkest class; all other cells stay clear.
    cells = [shape for shape in figure.plot["layout"]["shapes"] if {"path", "fillcolor"} <= set(shape)]
    fills = {shape["path"]: shape["fillcolor"] for shape in cells}
    assert len(fills) == 72
    assert fills.pop(cell.path) == f"var:series-1/{SHADES[-1][1]:g}"
    assert set(fills.values()) == {"var:series-1/0"}
    medial, lateral = figure.table.rows
    # Wilson of 2 of 6, from the formula: (2 + 1.9208 -/+ 1.96 sqrt(6/9 x 2 + 0.9604)) / 9.8415.
    assert medial[1:] == ("7", "3", "2", "6", "33.3 % (9.7 to 70.0)")
    assert lateral[1:] == ("2", "1", "1", "2", "too few")
    assert lateral[0] == "Lateral meniscus, middle third, step 6 of 12, rim zone not recorded"
    assert dict(figure.facts)["Not on the map"] == "2, of which failed 1"


def test_of_few_followed_only_counts_are_printed(put):
    for day in (100, 800, 800, 800):
        put(day, failed=day == 100, **BUSY)
    for _ in range(9):
        put(300, **BUSY)
    figure = places_figure(result_of(Repair.objects.all()))
    _, shares, counts = figure.plot["data"]
    assert shares["text"] == []
    assert counts["text"] == ["1/13"]
    assert "%" not in "".join(figure.table.rows[0])
    assert "no place has enough" in dict(figure.facts)["In words"]


def test_several_repairs_of_one_patient_are_said(put):
    first = put(800, **BUSY)
    factories.a_repair(first.tear.procedure, map_step=5, rim_zone=2)
    cautions = result_of(Repair.objects.all()).cautions
    assert any("Repairs of one patient are not independent" in caution for caution in cautions)


def test_without_a_place_nothing_is_drawn(db):
    assert places_figure(result_of(Repair.objects.all())).plot == {}
