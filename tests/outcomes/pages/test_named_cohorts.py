"""Cohorts under a name: whose they are, what they say to each reader, and that they open nothing."""

import html
import re
from urllib.parse import parse_qsl, urlsplit

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from outcomes.models import NamedCohort
from outcomes.naming import define_failure, name_cohort, retire_definition
from registry.models import Membership
from registry.recording import record

pytestmark = pytest.mark.django_db

LATERAL = {"meniscus": "lateral", "failure": "any"}


@pytest.fixture
def page(cast):
    """The page as one of the cast sees it."""

    def get(who="surgeon", **query):
        return cast.client(who).get(reverse("named_cohorts"), query)

    return get


@pytest.fixture
def post(cast):
    def send(who="surgeon", **typed):
        return cast.client(who).post(reverse("named_cohorts"), typed)

    return send


def lines(response):
    return {line.named.name: line for line in response.context["lines"]}


def sent_to(url):
    address = urlsplit(url)
    return address.path, dict(parse_qsl(address.query))


# --- naming -------------------------------------------------------------------------------------


def test_filters_sent_along_get_a_name(cast, page, post):
    response = post(name="Lateral", query="meniscus=lateral&which=&failure=any", shared_with="northmere")
    assert response.url == reverse("named_cohorts")
    text = page().content.decode()
    for said in (
        "Lateral",
        "Primary repairs of the lateral meniscus at Northmere Hospital.",
        "Any failure",
        "You,",
        "Northmere Hospital",
    ):
        assert said in text
    line = lines(page())["Lateral"]
    assert sent_to(line.survival_url) == (reverse("survival"), LATERAL)
    assert sent_to(line.scores_url) == (reverse("scores"), {"meniscus": "lateral"})


def test_what_it_opens_is_what_was_named(cast, page, post):
    post(name="Lateral", query="meniscus=lateral&zone=RW")
    line = lines(page())["Lateral"]
    for url in (line.survival_url, line.scores_url):
        assert cast.client("surgeon").get(url).status_code == 200


def test_survival_sends_what_it_shows(cast, page, post):
    shown = cast.client("surgeon").get(reverse("survival"), LATERAL).content.decode()
    query = html.unescape(re.search(r'name="query"\s+value="([^"]*)"', shown)[1])
    post(name="From Survival", query=query)
    assert sent_to(lines(page())["From Survival"].survival_url)[1] == LATERAL


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"name": "", "query": "zone=RW"}, "Name is missing. Enter it."),
        ({"name": "A", "query": "zone=moon"}, "zone: &#x27;moon&#x27; is not one of RR, RW"),
        ({"name": "A", "query": "surgeon=oak"}, "surgeon: &#x27;oak&#x27; filters nothing here."),
        ({"name": "A", "query": "unit=southmere"}, "unit: &#x27;southmere&#x27; is not one of northmere"),
        ({"name": "x" * 61, "query": ""}, "a name has at most 60"),
        (
            {"name": "A", "query": "", "shared_with": "southmere"},
            "&#x27;southmere&#x27; is none of your units.",
        ),
        ({"name": "Taken", "query": ""}, "You have a cohort called &#x27;Taken&#x27; already."),
    ],
)
def test_a_refused_name_says_why_and_keeps_what_was_typed(cast, post, typed, words):
    name_cohort(cast.surgeon, "Taken", {})
    response = post(**typed)
    text = response.content.decode()
    assert response.status_code == 422
    assert words in text
    assert f'value="{typed["name"]}"' in text or not typed["name"]
    assert NamedCohort.objects.count() == 1


def test_the_filters_are_said_while_the_name_is_mended(post):
    text = post(name="", query="zone=RW&failure=any").content.decode()
    assert "red-white" in text.lower()
    assert "Failure: Any failure." in text
    assert 'name="query" value="zone=RW&amp;failure=any"' in text


# --- readers ------------------------------------------------------------------------------------


def test_ones_own_and_those_shared_with_ones_units(cast, page):
    name_cohort(cast.surgeon, "Mine", {})
    name_cohort(cast.surgeon, "Ours", {}, cast.unit)
    assert set(lines(page("surgeon"))) == {"Mine", "Ours"}
    for who in ("colleague", "clinician", "audit_lead", "coordinator"):
        assert set(lines(page(who))) == {"Ours"}
    assert set(lines(page("stranger"))) == set()
    assert lines(page("colleague"))["Ours"].by == "oak"


def test_a_shared_name_speaks_of_the_readers_units_only(cast, page):
    record(Membership(user=cast.surgeon, unit=cast.other_unit, role="surgeon"))
    name_cohort(cast.surgeon, "Everywhere", {}, cast.unit)
    name_cohort(cast.surgeon, "South", {"unit": "southmere"}, cast.unit)
    assert lines(page("surgeon"))["Everywhere"].sentence.endswith(
        "Northmere Hospital and Southmere Hospital."
    )
    response = page("colleague")
    read = lines(response)
    assert read["Everywhere"].sentence == "Primary repairs at Northmere Hospital."
    assert (read["South"].sentence, read["South"].query) == ("", None)
    assert "names a unit whose figures you do not see" in read["South"].note
    assert "outhmere" not in response.content.decode().replace("South", "", 1).replace("South</", "")


def test_a_retired_definition_is_said_and_not_opened_with(cast, page):
    own = define_failure(cast.audit_lead, cast.unit, "Looks only", ["look"])
    name_cohort(cast.surgeon, "By looks", {"failure": own.code}, cast.unit)
    assert lines(page())["By looks"].query == {"failure": own.code}
    retire_definition(own, cast.audit_lead)
    line = lines(page())["By looks"]
    assert line.query == {"failure": "reoperation"}
    assert line.note == (
        "Its definition of failure, Looks only, was retired. It opens with: Reoperation on the repair."
    )


def test_another_units_definition_is_not_named(cast, page):
    record(Membership(user=cast.audit_lead, unit=cast.other_unit, role="audit_lead"))
    own = define_failure(cast.audit_lead, cast.other_unit, "Looks only", ["look"])
    name_cohort(cast.audit_lead, "By looks", {"failure": own.code}, cast.unit)
    response = page("surgeon")
    assert lines(response)["By looks"].query == {"failure": "reoperation"}
    assert "that of a unit whose figures you do not see" in response.content.decode()
    assert "Looks only" not in response.content.decode()


def test_as_many_questions_for_many_names_as_for_one(cast, page):
    def asked():
        with CaptureQueriesContext(connection) as captured:
            assert page().status_code == 200
        return len(captured)

    name_cohort(cast.surgeon, "0", {"unit": "northmere"}, cast.unit)
    one = asked()
    for number in range(1, 12):
        name_cohort(cast.surgeon, str(number), {"unit": "northmere", "zone": "RW"}, cast.unit)
    assert asked() == one


# --- sharing and dropping -----------------------------------------------------------------------


def act(cast, who, what, named, **typed):
    return cast.client(who).post(reverse(f"{what}_named_cohort", args=[named.uuid]), typed)


def test_its_maker_shares_it_and_takes_it_back(cast, page):
    named = name_cohort(cast.surgeon, "Mine", {})
    assert act(cast, "surgeon", "share", named, shared_with="northmere").status_code == 302
    assert set(lines(page("colleague"))) == {"Mine"}
    act(cast, "surgeon", "share", named, shared_with="southmere")
    named.refresh_from_db()
    assert named.shared_with == cast.unit
    act(cast, "surgeon", "share", named, shared_with="")
    assert set(lines(page("colleague"))) == set()


def test_its_maker_drops_it_and_may_name_its_filters_again(cast):
    named = name_cohort(cast.surgeon, "Mine <once>", LATERAL)
    client = cast.client("surgeon")
    response = client.post(reverse("drop_named_cohort", args=[named.uuid]), follow=True)
    text = response.content.decode()
    assert "&#x27;Mine &lt;once&gt;&#x27; is dropped." in text or "'Mine &lt;once&gt;' is dropped." in text
    assert "meniscus=lateral" in text
    assert not NamedCohort.objects.exists()


@pytest.mark.parametrize("what", ["share", "drop"])
@pytest.mark.parametrize(
    ("who", "status"),
    [
        ("colleague", 403),
        ("clinician", 403),
        ("audit_lead", 403),
        ("coordinator", 403),
        ("administrator", 403),
        ("stranger", 404),
        ("nobody", 302),
    ],
)
def test_nobody_else_shares_or_drops_it(cast, who, status, what):
    named = name_cohort(cast.surgeon, "Ours", {}, cast.unit)
    response = act(cast, who, what, named, shared_with="")
    assert response.status_code == status
    assert status != 302 or response.url.startswith(reverse("sign_in"))
    named.refresh_from_db()
    assert named.shared_with == cast.unit


def test_a_name_is_dropped_by_a_button_not_by_a_link(cast):
    named = name_cohort(cast.surgeon, "Mine", {})
    assert cast.client("surgeon").get(reverse("drop_named_cohort", args=[named.uuid])).status_code == 405


# --- comparing ----------------------------------------------------------------------------------


def test_two_lie_side_by_side(cast, page):
    first = name_cohort(cast.surgeon, "Lateral", LATERAL)
    second = name_cohort(cast.surgeon, "Medial", {"meniscus": "medial", "zone": "RW"})
    address = page(first=first.uuid, second=second.uuid).url
    path, query = sent_to(address)
    assert path == reverse("survival_compare")
    assert query == {
        "meniscus": "lateral",
        "failure": "any",
        "b_meniscus": "medial",
        "b_zone": "RW",
        "b_failure": "reoperation",
    }
    assert cast.client("surgeon").get(address).status_code == 200


def test_one_is_not_compared_with_itself_nor_with_one_that_is_not_on_the_list(cast, page):
    first = name_cohort(cast.surgeon, "Lateral", LATERAL)
    hidden = name_cohort(cast.colleague, "Hidden", {})
    for second in (first.uuid, hidden.uuid, "", "nonsense"):
        response = page(first=first.uuid, second=second)
        assert response.status_code == 400
        assert response.context["compare"].errors


def test_there_is_nothing_to_compare_with_one_alone(cast, page):
    name_cohort(cast.surgeon, "Lateral", LATERAL)
    assert page().context["compare"] is None


# --- who opens the page -------------------------------------------------------------------------


@pytest.mark.parametrize("method", ["get", "post"])
@pytest.mark.parametrize(
    ("who", "status"),
    [
        *((who, 200) for who in ("surgeon", "clinician", "audit_lead", "coordinator", "stranger")),
        ("administrator", 403),
        ("nobody", 302),
    ],
)
def test_role_and_page(cast, who, status, method):
    response = getattr(cast.client(who), method)(reverse("named_cohorts"))
    # Let in, an empty form is told what is missing.
    assert response.status_code == (422 if (method, status) == ("post", 200) else status)
    assert status != 200 or response["Cache-Control"] == "no-store"
