"""A version of a cohort stays as it was counted, whatever the record does, and says what changed since."""

import json

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from outcomes.cache import data_version
from outcomes.cohort import Cohort
from outcomes.cohort_versions import Since, flow_of, overlap, since
from outcomes.flow import cohort_flow
from outcomes.isolation import ONE_INSIDE
from outcomes.naming import name_cohort, new_version
from registry.models import Unit
from tests import factories

pytestmark = pytest.mark.django_db

MEDIAL = {"meniscus": "medial"}


def of(cast):
    return Unit.objects.filter(pk=cast.unit.pk)


def one_more(cast, **tear):
    return factories.a_repair(
        factories.an_operation(cast.unit, cast.oak, factories.a_knee(cast.unit)), **tear
    )


def test_a_version_keeps_its_flow_and_its_repairs_when_the_record_changes(cast):
    one_more(cast, meniscus="lateral")
    named = name_cohort(cast.surgeon, "Medial", MEDIAL)
    version, flow = named.latest, cohort_flow(Cohort(meniscus="medial"), of(cast))
    assert flow_of(version) == flow
    assert version.record_version == data_version()
    assert version.members == {cast.repair.pk}
    assert since(version, Cohort(meniscus="medial"), of(cast)) == Since(0, 0)
    one_more(cast, meniscus="medial")
    factories.corrected(cast.repair.tear, meniscus="lateral")
    again = named.versions.get()
    assert flow_of(again) == flow
    assert again.members == {cast.repair.pk}
    assert since(again, Cohort(meniscus="medial"), of(cast)) == Since(joined=1, left=1)
    assert again.record_version < data_version()


def test_other_filters_are_another_version(cast):
    named = name_cohort(cast.surgeon, "Medial", MEDIAL)
    lateral = one_more(cast, meniscus="lateral")
    second = new_version(named, cast.surgeon, {"which": "all"})
    assert (second.number, named.latest) == (2, second)
    found = overlap(named.versions.get(number=1), second)
    assert (found.both, found.only_first, found.only_second) == (1, 0, 1)
    assert second.members == {cast.repair.pk, lateral.pk}
    with pytest.raises(ValidationError, match="filters of Medial, version 2 already"):
        new_version(named, cast.surgeon, {"which": "all"})
    with pytest.raises(PermissionDenied):
        new_version(named, cast.colleague, MEDIAL)


def test_the_page_shows_then_and_today_and_lays_two_beside_each_other(cast):
    named = name_cohort(cast.surgeon, "Medial", MEDIAL, cast.unit)
    one_more(cast, meniscus="medial")
    new_version(named, cast.surgeon, {"which": "all"})
    client = cast.client("surgeon")
    address = reverse("named_cohort", args=[named.uuid])
    page = client.get(address, {"version": 1, "with": f"{named.uuid}:2"})
    assert [step.remaining for step in page.context["frozen"]] == [1, 1, 1]
    assert [step.remaining for step in page.context["today"]] == [2, 2, 2]
    text = " ".join(page.content.decode().split())
    assert "1 repair joined and 0 left since" in text
    assert page.context["overlap"].only_second == 1
    assert "Survival side by side" in text
    assert client.get(address, {"version": 3}).status_code == 404
    assert "Release this cohort" not in text
    shared = cast.client("coordinator").get(address).content.decode()
    assert "Release this cohort" in shared
    assert "Change filters" not in shared


def test_whom_it_is_not_shared_with_does_not_find_it(cast):
    named = name_cohort(cast.surgeon, "Medial", MEDIAL)
    for name in ("named_cohort", "named_cohort_json"):
        for who in ("colleague", "stranger"):
            assert cast.client(who).get(reverse(name, args=[named.uuid])).status_code == 404
    assert (
        cast.client("colleague").post(reverse("named_cohort_versions", args=[named.uuid])).status_code == 404
    )


def test_counts_of_one_other_surgeon_are_not_shown(cast):
    """Ash's repair is the only one of the lateral meniscus: not to oak, counted or frozen or as a file."""
    ash = factories.a_surgeon(cast.unit, "ash")
    factories.a_repair(factories.an_operation(cast.unit, ash), meniscus="lateral")
    named = name_cohort(cast.surgeon, "Lateral", {"meniscus": "lateral"})
    client = cast.client("surgeon")
    page = client.get(reverse("named_cohort", args=[named.uuid]))
    assert (page.context["frozen"], page.context["today"], page.context["since"]) == ((), (), None)
    assert ONE_INSIDE in page.content.decode()
    file = client.get(reverse("named_cohort_json", args=[named.uuid]))
    assert (file.status_code, file.content.decode()) == (403, ONE_INSIDE)
    built = client.get(reverse("new_cohort"), {"meniscus": "lateral"})
    assert built.context["steps"] == ()
    assert ONE_INSIDE in built.content.decode()
    whole = name_cohort(cast.surgeon, "Everybody", {})
    beside = client.get(reverse("named_cohort", args=[whole.uuid]), {"with": f"{named.uuid}:1"})
    assert "overlap" not in beside.context
    assert ONE_INSIDE in beside.content.decode()


def test_as_many_questions_for_many_versions_as_for_two(cast):
    named = name_cohort(cast.surgeon, "Medial", MEDIAL)
    new_version(named, cast.surgeon, {"which": "all"})
    name_cohort(cast.surgeon, "Another", {})
    client, address = cast.client("surgeon"), reverse("named_cohort", args=[named.uuid])

    def asked():
        with CaptureQueriesContext(connection) as captured:
            client.get(address, {"version": 1, "with": f"{named.uuid}:2"})
        return len(captured)

    few = asked()
    for zone in ("RR", "RW", "WW"):
        new_version(named, cast.surgeon, {"zone": zone})
        name_cohort(cast.surgeon, zone, {"zone": zone})
    assert asked() == few


def test_the_definition_as_a_file(cast):
    named = name_cohort(cast.surgeon, "Medial", MEDIAL)
    answer = cast.client("surgeon").get(reverse("named_cohort_json", args=[named.uuid]))
    told = json.loads(answer.content)
    assert (told["format"], told["format_version"], told["version"]) == ("rimward cohort definition", 1, 1)
    assert told["filters"] == MEDIAL
    assert told["flow"][-1] == {
        "code": "meniscus",
        "label": "Of the medial meniscus",
        "left_out": 0,
        "remaining": 1,
    }
    assert answer["Content-Disposition"].endswith(f'cohort-{named.uuid}-1.json"')


def test_filters_are_counted_as_they_are_set_and_kept_as_the_next_version(cast):
    named = name_cohort(cast.surgeon, "Medial", MEDIAL)
    client = cast.client("surgeon")
    page = client.get(reverse("new_cohort"), {"meniscus": "lateral", "of": str(named.uuid)})
    assert [step.remaining for step in page.context["steps"]] == [1, 1, 0]
    answer = client.post(
        reverse("named_cohort_versions", args=[named.uuid]),
        {"query": page.context["cohort_query"]},
        follow=True,
    )
    assert "Version 2 of &#x27;Medial&#x27; is kept." in answer.content.decode()
    assert named.latest.query == {"meniscus": "lateral"}
    refused = client.post(
        reverse("named_cohort_versions", args=[named.uuid]), {"query": "zone=XX"}, follow=True
    )
    assert "stays as it is" in refused.content.decode()
    assert client.get(reverse("new_cohort"), {"zone": "XX"}).status_code == 400
    assert client.get(reverse("new_cohort"), {"of": "nothing"}).status_code == 200


def test_a_period_is_not_told_to_its_days_where_it_leaves(cast):
    cohort = Cohort(since="2024-03-01", until="2024-03-02")
    assert cohort.sentence(of(cast), leaves=True) == "Primary repairs operated in a stated period at 1 unit."
    assert "1 Mar 2024" in cohort.sentence(of(cast))
