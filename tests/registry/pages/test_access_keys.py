"""The page of a person's own access keys, and the command that does the same."""

import json
import re
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from registry.api import keys
from registry.models import AccessKey
from tests.conftest import Cast
from tests.registry.pages.entries import text

PAGE = "/access-keys/"
FORM = {"label": "Nightly export", "days": "30", "scopes": ["record:read", "figures:read"]}
pytestmark = pytest.mark.any_engine


def test_a_new_key_is_shown_once(cast: Cast) -> None:
    client = cast.client("surgeon")
    made = client.post(PAGE, FORM)
    assert made.headers["Cache-Control"] == "no-store"
    (shown,) = re.findall(r"<code>(rim_[\w-]{43})</code>", made.content.decode())
    key = keys.opened_by(shown)
    assert key is not None
    assert (key.user, key.scopes) == (cast.surgeon, ["record:read", "figures:read"])
    again = text(client.get(PAGE))
    assert "Nightly export" in again
    assert shown not in again


def test_only_scopes_that_a_role_can_use_are_offered_and_taken(cast: Cast) -> None:
    page = text(cast.client("audit_lead").get(PAGE))
    assert "Read the record" in page
    assert "Record, correct and withdraw" not in page
    refused = cast.client("audit_lead").post(PAGE, {**FORM, "scopes": ["record:write"]})
    assert refused.status_code == 422
    assert "no key to make" in text(cast.client("administrator").get(PAGE))
    assert not AccessKey.objects.exists()


@pytest.mark.parametrize(("name", "value"), [("label", ""), ("days", "367"), ("days", ""), ("scopes", [])])
def test_what_is_missing_or_too_long_is_said(cast: Cast, name: str, value: Any) -> None:
    refused = cast.client("surgeon").post(PAGE, {**FORM, name: value})
    assert refused.status_code == 422
    assert "1 thing to mend" in text(refused)
    assert not AccessKey.objects.exists()


def test_a_key_is_taken_back_by_its_person_alone(cast: Cast) -> None:
    key, shown = keys.make(cast.surgeon, "Export", ["record:read"], 30)
    path = f"{PAGE}{key.uuid}/take-back/"
    assert "Export" not in text(cast.client("colleague").get(PAGE))
    assert cast.client("colleague").post(path).status_code == 404
    assert keys.opened_by(shown) == key
    assert cast.client("surgeon").get(path).status_code == 405
    assert "is taken back" in text(cast.client("surgeon").post(path, follow=True))
    assert keys.opened_by(shown) is None


def test_what_is_made_and_taken_back_stands_in_the_log(cast: Cast) -> None:
    client = cast.client("surgeon")
    client.post(PAGE, FORM, REMOTE_ADDR="192.0.2.7")
    key = AccessKey.objects.get()
    for _ in range(2):
        client.post(f"{PAGE}{key.uuid}/take-back/", REMOTE_ADDR="192.0.2.7")
    client.post(PAGE, {**FORM, "days": "0"})
    events = cast.surgeon.account_events.filter(kind__startswith="key").order_by("pk")
    assert [(event.kind, event.about, event.address) for event in events] == [
        ("key_made", "Nightly export", "192.0.2.7"),
        ("key_taken_back", "Nightly export", "192.0.2.7"),
    ]
    page = text(client.get("/account/"))
    assert "Access key made" in page
    assert "Access key taken back" in page


def test_signed_out_there_is_no_page(cast: Cast) -> None:
    assert cast.client("nobody").get(PAGE).status_code == 302


def test_the_page_is_reached_from_every_page_by_the_name_of_who_is_signed_in(cast: Cast) -> None:
    client = cast.client("surgeon")
    assert 'href="/account/"' in client.get("/").content.decode()
    assert f'href="{PAGE}"' in client.get("/account/").content.decode()


def run(*arguments: str) -> Any:
    said = StringIO()
    call_command("accesskey", *arguments, "--json", stdout=said)
    return json.loads(said.getvalue())


def test_the_command_makes_lists_and_takes_back(cast: Cast) -> None:
    made = run("make", "oak", "--label", "Export", "--scope", "record:read", "--days", "9")
    assert keys.opened_by(made["text"]) is not None
    (listed,) = run("list", "--username", "oak")
    assert listed == {name: value for name, value in made.items() if name != "text"}
    for _ in range(2):
        assert run("take-back", listed["key"])["state"] == "taken back"
    assert keys.opened_by(made["text"]) is None
    events = cast.surgeon.account_events.order_by("pk")
    assert [(event.kind, event.about) for event in events] == [
        ("key_made", "Export"),
        ("key_taken_back", "Export"),
    ]


@pytest.mark.parametrize(
    "arguments",
    [
        ("make", "nobody", "--label", "x", "--scope", "record:read", "--days", "9"),
        ("make", "lead", "--label", "x", "--scope", "record:write", "--days", "9"),
        ("make", "oak", "--label", "x", "--scope", "record:read", "--days", "0"),
        ("list", "--username", "nobody"),
        ("take-back", "no-uuid"),
    ],
)
def test_the_command_says_what_is_wrong(cast: Cast, arguments: tuple[str, ...]) -> None:
    with pytest.raises(CommandError, match="accesskey: "):
        run(*arguments)
    assert not AccessKey.objects.exists()
