"""What the account's log says of who signs in, from where, and by which browser."""

from typing import Any

import pytest
from django.test import Client, RequestFactory, override_settings

from registry.models import AccountEvent, AccountEventKind
from registry.signing_in.account_log import address_of, note
from registry.signing_in.browsers import UNKNOWN, short_name
from tests import factories
from tests.factories import PASSWORD

# As these browsers sent them in 2025, from memory; the iPad's is that of its mobile site.
CHROME = "Mozilla/5.0 ({}) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/138.0.0.0 {}Safari/537.36"
SAFARI = "Mozilla/5.0 ({}) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/18.5 {}Safari/604.1"
WINDOWS, MAC = "Windows NT 10.0; Win64; x64", "Macintosh; Intel Mac OS X 10_15_7"
NAMED = {
    CHROME.format(WINDOWS, ""): "Chrome on Windows",
    CHROME.format(WINDOWS, "") + " Edg/138.0.0.0": "Edge on Windows",
    CHROME.format(MAC, "") + " OPR/120.0.0.0": "Opera on macOS",
    CHROME.format("Linux; Android 10; K", "Mobile "): "Chrome on Android",
    CHROME.format("X11; CrOS x86_64 14541.0.0", ""): "Chrome on ChromeOS",
    SAFARI.format(MAC, ""): "Safari on macOS",
    SAFARI.format("iPhone; CPU iPhone OS 18_5 like Mac OS X", "Mobile/15E148 "): "Safari on iPhone",
    SAFARI.format("iPad; CPU OS 18_5 like Mac OS X", "Mobile/15E148 "): "Safari on iPad",
    "Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0": "Firefox on Linux",
    "curl/8.5.0": UNKNOWN,
    "": UNKNOWN,
    "<script>" * 400: UNKNOWN,
}


@pytest.mark.parametrize(("sent", "name"), NAMED.items(), ids=range(len(NAMED)))
def test_a_browser_in_a_few_words(sent: str, name: str) -> None:
    assert short_name(sent) == name


@pytest.mark.parametrize(
    ("trusted", "forwarded", "remote", "address"),
    [
        (True, "198.51.100.9, 203.0.113.5", "10.0.0.1", "203.0.113.5"),
        (True, "203.0.113.5", "", "203.0.113.5"),
        (True, "", "10.0.0.1", "10.0.0.1"),
        (True, "198.51.100.9, nonsense", "10.0.0.1", None),
        (True, " 2001:DB8::1 ", "10.0.0.1", "2001:db8::1"),
        (False, "198.51.100.9", "10.0.0.1", "10.0.0.1"),
        (False, "", "", None),
    ],
)
def test_only_the_proxys_own_hop_is_believed(
    trusted: bool, forwarded: str, remote: str, address: str | None
) -> None:
    request = RequestFactory().get("/", REMOTE_ADDR=remote, headers={"x-forwarded-for": forwarded})
    with override_settings(BEHIND_TLS_PROXY=trusted):
        assert address_of(request) == address


@pytest.mark.django_db
def test_signing_in_and_out_is_noted() -> None:
    oak = factories.a_person("oak")
    agent = "Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0"
    client = Client(REMOTE_ADDR="192.0.2.7", headers={"user-agent": agent})
    client.post("/sign-in/", {"username": "oak", "password": "wrong-password-1"})
    client.post("/sign-in/", {"username": "oak", "password": PASSWORD})
    client.post("/sign-out/")
    Client().post("/sign-in/", {"username": PASSWORD, "password": "typed in the wrong field"})
    told: list[Any] = list(AccountEvent.objects.order_by("pk"))
    assert [event.kind for event in told] == ["refused", "signed_in", "signed_out"]
    assert {(event.user, event.by, event.address, event.browser) for event in told} == {
        (oak, None, "192.0.2.7", "Firefox on Linux")
    }


@pytest.mark.django_db
def test_who_did_it_stands_there_only_where_it_was_somebody_else() -> None:
    oak, elm = factories.a_person("oak"), factories.a_person("elm")
    note(oak, AccountEventKind.CLOSED, by=elm, about="x")
    note(oak, AccountEventKind.OPENED, by=oak)
    assert [(event.by, event.about) for event in AccountEvent.objects.order_by("pk")] == [
        (elm, "x"),
        (None, ""),
    ]
