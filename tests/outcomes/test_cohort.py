"""A cohort: what its address says, what it says of itself, and which repairs it holds."""

from datetime import date

import pytest

from outcomes.cohort import Cohort, UnknownFilterError
from outcomes.strata import STRATA
from registry.models import Unit
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def units():
    factories.a_unit("northmere")
    return Unit.objects.all()


@pytest.fixture
def two(units):
    """A medial all-inside repair of a young patient in 2024, and a lateral one in zone red-white in 2025."""
    unit = units.get()
    oak = factories.a_surgeon(unit, "oak")
    young = factories.a_knee(unit, born_on=date(2008, 1, 1))
    first = factories.a_repair(factories.an_operation(unit, oak, young))
    later = factories.an_operation(unit, oak, operated_on=date(2025, 6, 1))
    return first, factories.a_repair(later, meniscus="lateral", vascular_zone="RW", augmentation="prp")


@pytest.mark.parametrize(
    ("query", "place"),
    [
        ({"meniscus": "medial"}, 0),
        ({"age": "under_20"}, 0),
        ({"augmentation": "prp"}, 1),
        ({"zone": "RW"}, 1),
        ({"until": "2025-05-31"}, 0),
        ({"since": "2025-06-01"}, 1),
        ({"since": "2025-06-01", "until": "2025-06-01", "meniscus": "lateral"}, 1),
    ],
)
def test_each_filter_narrows(units, two, query, place):
    cohort = Cohort.from_query(query, units)
    assert list(cohort.repairs(units)) == [two[place]]
    assert cohort.is_narrowed
    assert cohort.query() == query
    assert Cohort.from_query(cohort.query(), units) == cohort


def test_every_stratum_is_a_filter_and_nothing_is_filtered_unasked(units, two):
    assert set(STRATA) <= set(Cohort.choices(units))
    assert set(Cohort().repairs(units)) == set(two)
    assert not Cohort(which="all", unit="northmere").is_narrowed


def test_the_sentence_tells_every_filter(units):
    query = {
        "meniscus": "medial",
        "pattern": "bucket_handle",
        "zone": "RW",
        "age": "under_20",
        "augmentation": "prp",
        "since": "2020-01-01",
        "until": "2022-12-31",
    }
    assert Cohort.from_query(query, units).sentence(units) == (
        "Primary repairs of the medial meniscus of bucket-handle tears in vascular zone red-white with "
        "augmentation: platelet-rich plasma of patients aged under 20 operated from 1 Jan 2020 to "
        "31 Dec 2022 at Northmere Hospital."
    )


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ({"since": "March"}, "since: 'March' is no day; give it as 2024-03-01."),
        ({"until": "2024-02-30"}, "until: '2024-02-30' is no day; give it as 2024-03-01."),
        (
            {"since": "2024-03-01", "until": "2023-03-01"},
            "until: 2023-03-01 lies before since, 2024-03-01; correct one of them.",
        ),
        ({"age": "old"}, "age: 'old' is not one of under_20, under_30, under_40, from_40."),
    ],
)
def test_a_wrong_filter_names_itself_and_the_mend(units, query, said):
    with pytest.raises(UnknownFilterError, match=f"^{said}$".replace("(", r"\(")):
        Cohort.from_query(query, units)
