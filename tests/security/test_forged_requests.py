"""Requests that a person did not mean to send, or that claim to come from elsewhere, of every page."""

import json
import re
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from registry.vocabulary import Scope
from tests.factories import PASSWORD
from tests.security.addresses import every_address
from tests.security.api_rules import API
from tests.security.asking import pages, signed_in, taken_back
from tests.security.house import House
from tests.security.rules import PAGES

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

ELSEWHERE = "evil.example.org"
# What a browser, a proxy or a cache may be made to send along (RFC 7239, and proxies' manuals).
HOSTILE = {
    "X-Forwarded-Host": ELSEWHERE,
    "X-Host": ELSEWHERE,
    "Forwarded": f"host={ELSEWHERE}",
    "X-Original-URL": f"/{ELSEWHERE}",
    "X-Rewrite-URL": f"/{ELSEWHERE}",
    "X-Http-Method-Override": "DELETE",
    "X-Forwarded-For": "127.0.0.1",
    "Range": "bytes=0-10",
    "Origin": f"https://{ELSEWHERE}",
}
WANTED = {"next": "https://away.example.org/", "back": "//away.example.org/"}
LED_AWAY = re.compile(rb"""(?:href|src|action)=["'](?:https?:)?[/\\\\]{2}away""")
HOSTILE_ADDRESSES = (
    f"https://{ELSEWHERE}/",
    f"//{ELSEWHERE}/",
    f"/\\{ELSEWHERE}/",
    f"\\\\{ELSEWHERE}/",
    f"https:{ELSEWHERE}",
    f"http:///{ELSEWHERE}",
    f"/\t/{ELSEWHERE}",
    f" //{ELSEWHERE}",
    f"https://testserver@{ELSEWHERE}/",
    "javascript:alert(1)",
    "data:text/html,x",
)


# --- forged by another site -----------------------------------------------------------------------


def test_no_page_takes_a_change_without_its_forms_token(house: House) -> None:
    token_of_another = Client()
    token_of_another.get(reverse("sign_in"))
    stolen = token_of_another.cookies["csrftoken"].value
    taken = []
    for address, role in pages("post"):
        client, url = signed_in(house, role, enforce_csrf_checks=True), address.on(house.north)
        with taken_back(client):
            client.cookies["csrftoken"] = "x" * 32  # its own, so that the other's does not belong to it
            for sent in ({}, {"csrfmiddlewaretoken": stolen}):
                if (answer := client.post(url, sent)).status_code != 403:
                    taken.append(f"{address.name} with {list(sent) or 'no token'}: {answer.status_code}")
    assert not taken, "\n".join(taken)


def test_a_right_token_sent_from_another_site_is_refused(house: House) -> None:
    client = signed_in(house, "administrator", enforce_csrf_checks=True)
    url = reverse("unit_settings", args=["northmere"])
    client.get(url)
    sent = {"csrfmiddlewaretoken": client.cookies["csrftoken"].value}
    for origin, status in ((f"https://{ELSEWHERE}", 403), ("null", 403), ("http://testserver", 422)):
        with taken_back(client):
            assert client.post(url, sent, headers={"Origin": origin}).status_code == status


def test_no_address_of_the_api_takes_a_session_for_a_key(house: House) -> None:
    """So that no other site can make a browser ask there: nothing is sent along by itself."""
    let_in = []
    for name, methods in API.items():
        address = every_address()[name]
        for method in methods:
            if method.scope is None:
                continue
            for role in ("surgeon", "audit_lead", "coordinator"):
                client = house.clients[role]
                with taken_back(client):
                    answer = client.generic(method.verb.upper(), address.on(house.north))
                if answer.status_code != 401:
                    let_in.append(f"{method.verb} {name} by {role}: {answer.status_code}")
    assert not let_in, "\n".join(let_in)


@pytest.mark.parametrize("name", ["access_token", "key", "api_key", "token", "authorization"])
def test_a_key_in_the_address_opens_nothing(house: House, name: str) -> None:
    text = house.key("surgeon", *Scope)["Authorization"].removeprefix("Bearer ")
    client = Client(SERVER_NAME="localhost")
    with taken_back(client):
        assert client.get("/api/v1/knees/", {name: text}).status_code == 401
        for cookie in (name, "Authorization"):
            client.cookies[cookie] = f"Bearer {text}"
        assert client.get("/api/v1/knees/").status_code == 401
        assert client.post("/api/v1/contacts/", {name: text}).status_code == 401


# --- what every page answers ----------------------------------------------------------------------


def test_headers_from_outside_change_no_answer_and_every_answer_has_its_own(house: House) -> None:
    wrong = [
        f"{address.name}: {problem}"
        for address, role in pages("get")
        if address.name != "briefing_pdf"  # starts a browser to print; its headers are those of any page
        for problem in _problems(house, role, address.name, address.on(house.north))
    ]
    assert not wrong, "\n".join(wrong)


def _problems(house: House, role: str, name: str, url: str) -> list[str]:
    client = house.clients[role]
    with taken_back(client):
        answer = client.get(url, WANTED, headers=HOSTILE)
        content = b"".join(answer.streaming_content) if answer.streaming else answer.content
        answer.close()
    headers = answer.headers
    location, content_type = headers.get("Location", ""), headers.get("Content-Type", "")
    policy = headers.get("Content-Security-Policy", "")
    found = {
        f"is answered {answer.status_code}, not whole or otherwise than without": answer.status_code
        not in (PAGES[name].get, 400),
        "tells of another host": ELSEWHERE.encode() in content and answer.status_code != 400,
        "leads elsewhere": LED_AWAY.search(content) or LED_AWAY.match(f'href="{location}"'.encode()),
        "may be framed": headers.get("X-Frame-Options") != "DENY" or "frame-ancestors 'none'" not in policy,
        "may be sniffed": headers.get("X-Content-Type-Options") != "nosniff",
        "says no charset": content_type.startswith("text/") and "charset=" not in content_type,
        "lets script in": "script-src 'self'" not in policy or "unsafe" in policy,
        "may be kept by a cache": "no-store" not in headers.get("Cache-Control", ""),
        "is shared with other origins": any(each.startswith("Access-Control") for each in headers),
        "tells where one came from": headers.get("Referrer-Policy") not in ("same-origin", "strict-origin"),
        "gives a part": "Content-Range" in headers,
    }
    return [problem for problem, is_so in found.items() if is_so]


# --- host -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "host", [ELSEWHERE, f"localhost.{ELSEWHERE}", f"testserver@{ELSEWHERE}", "testserver/x"]
)
def test_a_host_that_is_not_the_sites_is_refused(house: House, host: str) -> None:
    for path in ("/sign-in/", "/", "/api/v1/knees/", "/health/"):
        answer = house.clients["surgeon"].get(path, headers={"Host": host})
        assert answer.status_code == 400, path
        assert ELSEWHERE not in answer.content.decode()


def test_links_that_leave_by_letter_begin_with_the_sites_own_address(house: House, settings: Any) -> None:
    from registry.models import PatientLink
    from registry.patient_link.making import address

    settings.SITE_URL = "https://rimward.example.org"
    assert address(PatientLink.objects.first()).startswith("https://rimward.example.org/r/")


# --- where a page leads on to ---------------------------------------------------------------------


@pytest.mark.parametrize("wanted", HOSTILE_ADDRESSES)
def test_nobody_is_led_elsewhere(house: House, wanted: str) -> None:
    """Where signing in and confirming lead on to; of Due, tests/registry/pages/test_due_actions.py."""
    client = Client()
    with taken_back(client):
        sent = {"username": house.people["surgeon"].username, "password": PASSWORD, "next": wanted}
        assert client.post(f"{reverse('sign_in')}", sent).headers["Location"] == "/"
        signed_in_already = client.get(reverse("sign_in"), {"next": wanted})
        assert signed_in_already.headers["Location"] == "/"
        confirmed = client.post(reverse("confirm"), {"confirm-password": PASSWORD, "next": wanted})
        assert confirmed.headers["Location"] == "/"
        out = client.post(reverse("sign_out"), {"next": wanted})
        assert out.headers["Location"].startswith("/sign-in/")
        assert ELSEWHERE not in out.headers["Location"]


def test_a_body_that_claims_to_be_json_is_no_form(house: House) -> None:
    """A page takes forms alone: no other kind of body passes the token by."""
    client = signed_in(house, "administrator", enforce_csrf_checks=True)
    for kind in ("application/json", "text/plain"):
        url = reverse("unit_settings", args=["northmere"])
        assert client.post(url, json.dumps({"name": "x"}), content_type=kind).status_code == 403
