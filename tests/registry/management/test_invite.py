"""Invite: how the first administrator gets in, and the last one back."""

import io
import json

import pytest
from django.core.management import CommandError, call_command
from django.test import Client, override_settings

from registry.access import Action, units_for
from registry.models import Invitation, Unit, User
from tests.conftest import Cast
from tests.registry.pages.entries import text

pytestmark = pytest.mark.django_db

NEW = ("new", "--unit=northmere", "--role=administrator", "--label=Dr Oak")
PASSWORD = "crescent-walnut-74"


def invite(*arguments: str) -> str:
    out = io.StringIO()
    call_command("invite", *arguments, stdout=out)
    return out.getvalue()


def refused(*arguments: str) -> str:
    """The words of a refusal that left nothing behind."""
    before = (Unit.objects.count(), Invitation.objects.count())
    with pytest.raises(CommandError) as refusal:
        invite(*arguments)
    assert refusal.value.returncode == 1
    assert (Unit.objects.count(), Invitation.objects.count()) == before
    return str(refusal.value)


@override_settings(SITE_URL="https://knees.example.org")
def test_the_first_administrator_of_an_empty_record() -> None:
    said = json.loads(invite(*NEW, "--unit-name=Northmere Hospital", "--json"))
    assert said["link"].startswith("https://knees.example.org/invited/")
    sent = {
        "first_name": "Ida", "last_name": "Oak", "username": "oak",
        "new_password": PASSWORD, "again": PASSWORD,
    }  # fmt: skip
    Client().post(said["link"].removeprefix("https://knees.example.org"), sent)
    assert list(units_for(User.objects.get(), Action.MANAGE_UNIT)) == [Unit.objects.get(code="northmere")]


def test_the_way_back_of_the_last_administrator(cast: Cast) -> None:
    said = invite("back", "administrator")
    assert said.startswith("Link for administrator, good once until ")
    link = "/invited/" + said.strip().rpartition("/invited/")[2]
    assert "Back into your account" in text(Client().get(link))
    assert cast.administrator.account_events.get(kind="invited").by is None


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            ("new", "--unit=eastmere", *NEW[2:]),
            "unit eastmere is not on record. Give --unit-name to create it",
        ),
        ((*NEW, "--unit-name=Elsewhere"), "unit northmere is on record as 'Northmere Hospital'"),
        (("new", "--unit=a b", "--unit-name=Two", *NEW[2:]), "Enter a valid"),
        (("new", "--unit=eastmere", "--unit-name=E", NEW[2], f"--label={'x' * 81}"), "at most 80 characters"),
        (("back", "nobody"), "no open account is called nobody"),
    ],
)
def test_what_cannot_be_is_refused_in_words(cast: Cast, arguments: tuple[str, ...], words: str) -> None:
    assert words in refused(*arguments)


def test_who_holds_no_role_or_is_closed_has_nothing_to_come_back_to(cast: Cast) -> None:
    cast.colleague.memberships.all().delete()
    User.objects.filter(pk=cast.surgeon.pk).update(is_active=False)
    assert "holds no role" in refused("back", "elm")
    assert "no open account" in refused("back", "oak")
