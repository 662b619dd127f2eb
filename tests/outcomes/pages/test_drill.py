"""Failures behind a curve: the same failures that the curve counts, each with its day, reason and knee."""

from datetime import UTC, datetime

import pytest
from django.urls import reverse

from registry.models import Membership
from registry.recording import record
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def page(cast):
    def get(who="surgeon", **query):
        return cast.client(who).get(reverse("survival_repairs"), query)

    return get


@pytest.fixture
def failures(cast):
    """Red-white repairs failed at 100 and 800 days, a red-red one at 300; one of each still stands."""
    for zone, days in (("RW", 800), ("RR", 300), ("RW", 100), ("RR", None), ("RW", None)):
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak), vascular_zone=zone)
        if days:
            factories.a_failure(repair, days)
        else:
            factories.a_contact(repair, 900)


def days(response):
    return [row["standing"].duration_days for row in response.context["rows"]]


def test_all_failures_the_earliest_first_each_with_its_reason_and_knee(cast, page, failures):
    response = page()
    assert days(response) == [100, 300, 800]
    text = response.content.decode()
    assert "removed, re-repaired, refixed or replaced by a transplant at a reoperation" in text
    for row in response.context["rows"]:
        assert reverse("knee_story", args=[row["repair"].tear.procedure.knee.uuid]) in text


def test_one_curve_and_one_step_of_it(page, failures):
    assert days(page(split="zone", level="RW")) == [100, 800]
    response = page(split="zone", level="RW", until_day=100)
    assert days(response) == [100]
    said = "Only vascular zone: Red-white; failed within 100 days of the operation."
    assert said in " ".join(response.content.decode().split())
    assert days(page(split="zone", level="RW", until_day=99)) == []
    assert "No failure fits these filters." in page(until_day=99).content.decode()


def test_as_many_as_the_curve_counts(cast, page, failures):
    """A failure that was known when its repair was entered from old notes is in no curve, nor here."""
    late = datetime(2025, 3, 1, tzinfo=UTC)
    for number in (90, 700):
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak, recorded_at=late))
        factories.a_failure(repair, number)
    survival = cast.client("surgeon").get(reverse("survival"), {"split": "zone"})
    [part] = survival.context["parts"]
    for link in part["behind"]:
        listed = cast.client("surgeon").get(link["url"])
        assert len(listed.context["rows"]) == link["failures"]
    assert days(page()) == [100, 300, 700, 800]


def test_another_definition_lists_its_own_failures(cast, page, failures):
    factories.a_failure(cast.repair, 50, action="root_refixation")
    assert days(page(failure="any")) == [50, 100, 300, 800]
    assert page(failure="any", split="zone", level="RR").context["rows"][0]["standing"].definition_name == (
        "Any failure"
    )


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ({"level": "RR"}, "level: &#x27;RR&#x27; is not one of none, as long as nothing is split."),
        ({"split": "zone", "level": "moon"}, "level: &#x27;moon&#x27; is not one of RR, RW, WW, unknown."),
        ({"until_day": "soon"}, "until_day: this is no whole number of days; give one, as 730."),
        ({"until_day": "-1"}, "until_day: a day before the operation; give 0 or more."),
    ],
)
def test_what_cannot_be_read_is_told_with_its_mend(page, query, said):
    response = page(**query)
    assert response.status_code == 400
    assert said in response.content.decode()


@pytest.mark.parametrize(
    ("who", "status"), [("audit_lead", 200), ("clinician", 200), ("coordinator", 403), ("administrator", 403)]
)
def test_only_who_sees_figures_and_record(page, failures, who, status):
    assert page(who).status_code == status


def test_only_units_whose_record_one_may_read(cast, page, failures):
    assert days(page("stranger")) == []
    record(Membership(user=cast.coordinator, unit=cast.other_unit, role="clinician"))
    assert days(page("coordinator")) == []
    assert page("coordinator", unit="northmere").status_code == 400


def test_the_list_is_paged_and_kept_by_no_browser(cast, page):
    procedure = factories.an_operation(cast.unit, cast.oak)
    repairs = [factories.a_repair(procedure) for _ in range(51)]
    again = factories.a_failure(repairs[0], 200)
    for repair in repairs[1:]:
        record(factories.ReoperationOnTear(reoperation=again, tear=repair.tear, action="partial_removal"))
    first, second = page(split="zone", level="RR"), page(split="zone", level="RR", page=2)
    keys = [row["repair"].pk for response in (first, second) for row in response.context["rows"]]
    assert len(keys) == len(set(keys)) == 51
    assert "split=zone&amp;level=RR&amp;page=2" in first.content.decode()
    assert first["Cache-Control"] == "no-store"
