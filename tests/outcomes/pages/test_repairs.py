"""Repairs: filtered, sorted, paged, each line with where the repair stands."""

import pytest
from django.urls import reverse

from outcomes.pages.repairs import PAGE_SIZE
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def page(cast):
    def get(**query):
        return cast.client("surgeon").get(reverse("repairs"), query)

    return get


def test_a_line_says_where_the_repair_stands(cast, page):
    factories.a_failure(cast.repair, 400)
    text = page().content.decode()
    assert "5 Apr 2025" in text
    assert "13.1" in text
    assert "removed, re-repaired, refixed or replaced by a transplant at a reoperation" in text


def test_filters_narrow_the_list(cast, page):
    factories.a_repair(factories.an_operation(cast.unit, cast.oak, acl="staged"), meniscus="lateral")
    assert len(page().context["rows"]) == 2
    assert len(page(meniscus="lateral").context["rows"]) == 1
    assert len(page(ligament="staged_later").context["rows"]) == 1
    assert len(page(zone="unknown").context["rows"]) == 0
    assert len(page(since="2024-03-02").context["rows"]) == 0


def test_a_filter_that_is_no_choice_says_so(page):
    assert "Select a valid choice" in page(meniscus="upper").content.decode()


def test_sorting_goes_by_the_list_of_sorts_only(cast, page):
    other = factories.an_operation(cast.unit, cast.oak, operated_on=factories.date(2023, 1, 1))
    factories.a_repair(other, pattern="radial")

    def first(sort):
        return page(sort=sort).context["rows"][0]["repair"].tear.pattern

    assert first("pattern") == "longitudinal"
    assert first("-pattern") == "radial"
    assert first("operated") == "radial"
    assert first("tear__procedure__knee__patient__born_on") == "longitudinal"  # unknown: the default


def test_pages_hold_every_repair_once(cast, page):
    procedure = factories.an_operation(cast.unit, cast.oak)
    for _ in range(PAGE_SIZE):
        factories.a_repair(procedure)
    rows = [row["repair"].pk for number in (1, 2) for row in page(page=number).context["rows"]]
    assert len(rows) == len(set(rows)) == PAGE_SIZE + 1


def test_the_list_shows_no_identity(cast, page):
    assert "patient" not in {key for row in page().context["rows"] for key in row}
