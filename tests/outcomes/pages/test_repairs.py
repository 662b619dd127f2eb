"""Repairs: filtered, sorted, paged, each line with where the repair stands."""

import pytest
from django.urls import reverse

from outcomes.pages.repairs import PAGE_SIZE
from registry.models import Membership
from registry.recording import record
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


@pytest.mark.parametrize("query", [{"meniscus": "upper"}, {"since": "yesterday"}, {"surgeon": "nobody"}])
def test_a_filter_that_is_no_choice_says_so_and_lists_nothing(page, query):
    response = page(**query)
    text = response.content.decode()
    assert response.status_code == 400
    assert "Select a valid choice" in text or "Enter a valid date" in text
    assert "Nothing is listed until the filter is mended." in text
    assert response.context["rows"] == []


# --- Whose results ------------------------------------------------------------------------------


@pytest.fixture
def elm(cast):
    """A colleague with a repair of the unit, younger than the one of the cast."""
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    factories.a_repair(factories.an_operation(cast.unit, elm, operated_on=factories.date(2024, 4, 1)))
    return elm


def open_to_leads(*units):
    for unit in units:
        factories.corrected(unit, lead_sees_surgeon_results=True)


def listed(cast, who, **query):
    """Names in the column of surgeons, in order."""
    response = cast.client(who).get(reverse("repairs"), query)
    return [row["repair"].surgeon for row in response.context["rows"]]


def sort_labels(cast, who):
    response = cast.client(who).get(reverse("repairs"))
    return [link["label"] for link in response.context["sort_links"]]


@pytest.mark.parametrize(
    ("who", "names"),
    [
        ("surgeon", ["Colleague", "Dr Oak"]),
        ("colleague", ["Dr Elm", "Colleague"]),
        ("clinician", ["Colleague", "Colleague"]),
        ("audit_lead", ["Colleague", "Colleague"]),
    ],
)
@pytest.mark.usefixtures("elm")
def test_others_results_go_without_a_name(cast, who, names):
    assert listed(cast, who) == names
    text = cast.client(who).get(reverse("repairs")).content.decode()
    assert [name for name in ("Dr Oak", "Dr Elm") if name in text] == [
        name for name in ("Dr Oak", "Dr Elm") if name in names
    ]
    assert "Surgeon" not in sort_labels(cast, who)
    assert text.count('<th scope="col">Surgeon</th>') == 1


def test_a_colleague_is_no_filter(cast, page, elm):
    assert page(surgeon=elm.code).status_code == 400
    assert listed(cast, "surgeon", surgeon="oak") == ["Dr Oak"]


@pytest.mark.usefixtures("elm")
def test_a_sort_by_surgeon_tells_nothing_of_colleagues(cast):
    assert listed(cast, "surgeon", sort="surgeon") == listed(cast, "surgeon", sort="-operated")


@pytest.mark.usefixtures("elm")
def test_a_lead_sees_them_where_the_unit_says_so(cast):
    open_to_leads(cast.unit)
    assert listed(cast, "audit_lead", sort="surgeon") == ["Dr Elm", "Dr Oak"]
    assert listed(cast, "audit_lead", surgeon="elm") == ["Dr Elm"]
    assert "Surgeon" in sort_labels(cast, "audit_lead")
    assert listed(cast, "surgeon") == ["Colleague", "Dr Oak"]


def test_of_two_units_only_the_open_one_is_told_by_name(cast):
    """A surgeon of both: what was done in the closed unit is neither named nor found by the filter."""
    record(Membership(user=cast.audit_lead, unit=cast.other_unit, role="audit_lead"))
    cast.oak.units.add(cast.other_unit)
    elsewhere = factories.an_operation(cast.other_unit, cast.oak, operated_on=factories.date(2024, 4, 1))
    factories.a_repair(elsewhere)
    open_to_leads(cast.unit)
    assert listed(cast, "audit_lead") == ["Colleague", "Dr Oak"]
    assert listed(cast, "audit_lead", surgeon="oak") == ["Dr Oak"]
    assert listed(cast, "audit_lead", sort="-surgeon") == ["Dr Oak", "Colleague"]


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
