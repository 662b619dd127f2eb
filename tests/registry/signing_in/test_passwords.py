"""A new password from within: what it ends, and what it only tells of."""

from datetime import timedelta

import pytest
import time_machine
from django.test import Client
from django.utils import timezone

from registry.api import keys
from tests.conftest import Cast
from tests.factories import PASSWORD
from tests.registry.pages.entries import text

pytestmark = [pytest.mark.usefixtures("quick_passwords"), pytest.mark.any_engine]

NEW = "crescent-walnut-74"


def changed(client: Client) -> str:
    """The page after a new password was set."""
    sent = {"present": PASSWORD, "new_password": NEW, "again": NEW}
    page = text(client.post("/account/password/", sent, follow=True))
    assert "Your password is changed" in page
    return page


def test_access_keys_that_stand_are_told_and_go_on(cast: Cast) -> None:
    with time_machine.travel(timezone.now() - timedelta(days=3)):
        keys.make(cast.surgeon, "Ended", ["record:read"], 1)
    gone, _ = keys.make(cast.surgeon, "Taken back", ["record:read"], 9)
    keys.take_back(gone)
    keys.make(cast.colleague, "Of a colleague", ["record:read"], 9)
    standing = [keys.make(cast.surgeon, label, ["record:read"], 9)[1] for label in ("Export", "Reports")]
    page = changed(cast.client("surgeon"))
    assert "Access keys of yours that still stand: 2." in page
    assert "your <a href='/access-keys/'>access keys</a>" in page
    assert all(keys.opened_by(key) for key in standing)


def test_who_has_no_key_is_told_of_none(cast: Cast) -> None:
    assert "that still stand" not in changed(cast.client("surgeon"))
