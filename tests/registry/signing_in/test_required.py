"""Where the site requires a second factor, who must have one gets to setting it up and to nothing else."""

import re
from typing import Any

import pytest
from django.test import Client
from django.urls import get_resolver, reverse
from django.urls.resolvers import URLPattern, URLResolver

from registry.api.keys import make
from tests.conftest import Cast
from tests.factories import PASSWORD
from tests.registry.pages.entries import text
from tests.registry.signing_in.people import code_now, half_way_in, with_factor

pytestmark = [pytest.mark.usefixtures("quick_passwords"), pytest.mark.any_engine]

SET_UP = "/account/second-factor/set-up/"
PLACEHOLDERS = {
    "uuid": "00000000-0000-4000-8000-000000000000", "slug": "northmere", "int": "1", "str": "x", "path": "x",
}  # fmt: skip


@pytest.fixture(autouse=True)
def required(settings: Any) -> None:
    settings.SECOND_FACTOR = "required"


def addresses(
    patterns: list[URLPattern | URLResolver] | None = None, before: str = "/"
) -> list[tuple[str, str]]:
    """Every address of the pages, filled in, with its name."""
    found = []
    for each in get_resolver().url_patterns if patterns is None else patterns:
        route = str(each.pattern)
        if isinstance(each, URLResolver):
            found += addresses(each.url_patterns, before + route)
        elif not route.startswith("^"):
            filled = re.sub(r"<(\w+):\w+>", lambda part: PLACEHOLDERS[part[1]], before + route)
            found.append((each.name or "", filled))
    return [(name, address) for name, address in found if not address.startswith("/api/")]


@pytest.mark.parametrize("who", ["surgeon", "clinician", "coordinator", "administrator"])
def test_roles_that_must_have_one_get_no_page_but_setting_it_up(cast: Cast, who: str) -> None:
    client = cast.client(who)
    assert client.get("/").headers["Location"] == SET_UP
    page = text(client.get(SET_UP))
    assert "nothing else opens before it is set up" in re.sub(r"\s+", " ", page)
    assert 'aria-label="Main"' not in page
    assert client.post("/sign-out/").status_code == 302


def test_of_all_addresses_three_stay_open(cast: Cast) -> None:
    client = cast.client("surgeon")
    answers = {
        name: [client.get(address), client.post(address)]
        for name, address in addresses()
        if name not in ("sign_out",)
    }
    open_to_them = {
        name
        for name, both in answers.items()
        if not all(a.status_code == 302 and a.headers["Location"] == SET_UP for a in both)
    }
    assert len(answers) > 100
    assert open_to_them == {"set_up_second_factor", "confirm"}


def test_an_audit_lead_needs_none(cast: Cast) -> None:
    assert cast.client("audit_lead").get("/").status_code == 200


def test_after_setting_one_up_everything_opens(cast: Cast) -> None:
    client = cast.client("surgeon")
    key = re.search(r"<code>([A-Z2-7 ]{39})</code>", text(client.get(SET_UP)))
    assert key
    client.post(SET_UP, {"code": code_now(key[1].replace(" ", ""))})
    assert client.get("/").status_code == 200


def test_signed_in_with_a_code_everything_opens(cast: Cast) -> None:
    with_factor(cast.surgeon)
    client = half_way_in("oak")
    client.post("/sign-in/code/", {"code": code_now()})
    assert client.get("/").status_code == 200


def test_a_session_that_never_showed_the_factor_is_asked_for_it(cast: Cast) -> None:
    """Such as one begun with the password alone before the factor was set up in another browser."""
    client = cast.client("surgeon")
    with_factor(cast.surgeon)
    assert client.get("/due/").headers["Location"] == "/confirm/?next=%2Fdue%2F"
    client.post("/confirm/", {"confirm-password": PASSWORD, "confirm-code": code_now()})
    assert client.get("/due/").status_code == 200


@pytest.mark.parametrize("address", ["/invited/{}/", "/r/{}/"])
def test_no_token_travels_on_in_the_address_of_the_question(cast: Cast, address: str) -> None:
    client = cast.client("surgeon")
    with_factor(cast.surgeon)
    asked = client.get(address.format("A" * 43))
    assert asked.headers["Location"] == "/confirm/?next=%2F"


def test_once_the_factor_is_gone_its_sessions_open_nothing(cast: Cast) -> None:
    factor = with_factor(cast.surgeon)
    client = half_way_in("oak")
    client.post("/sign-in/code/", {"code": code_now()})
    factor.delete()
    assert client.get("/").headers["Location"] == SET_UP


def test_an_access_key_works_only_while_its_person_has_one(cast: Cast) -> None:
    def answered(key: str) -> int:
        asked = Client().get(reverse("api_cohort_list"), headers={"Authorization": f"Bearer {key}"})
        return asked.status_code

    _, key = make(cast.surgeon, "Reports", ["figures:read"], 9)
    assert answered(key) == 401
    factor = with_factor(cast.surgeon)
    assert answered(key) == 200
    factor.delete()
    assert answered(key) == 401
    _, of_lead = make(cast.audit_lead, "Reports", ["figures:read"], 9)
    assert answered(of_lead) == 200


def test_where_it_is_offered_nobody_is_sent_anywhere(cast: Cast, settings: Any) -> None:
    settings.SECOND_FACTOR = "offered"
    assert cast.client("surgeon").get("/").status_code == 200
