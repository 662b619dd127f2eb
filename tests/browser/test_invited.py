"""Somebody is invited and takes it up, in two browsers; the link's address leaves the page in no header."""

import re
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Request, expect

from registry.models import User
from tests.browser.windows import sign_in_through_the_form, window_on
from tests.conftest import Cast

pytestmark = pytest.mark.browser

PASSWORD = "crescent-walnut-74"
WHO = {
    "First name": "Rowan", "Last name": "Reed", "User name": "rowan",
    "New password": PASSWORD, "New password again": PASSWORD,
}  # fmt: skip


def test_somebody_is_invited_and_comes_in(
    cast: Cast, page: Page, chromium: Browser, live_server: Any
) -> None:
    sign_in_through_the_form(page, "administrator")
    page.goto("/units/northmere/")
    page.get_by_role("link", name="Invite people, change roles").click()
    page.get_by_role("link", name="Invite somebody").click()
    page.get_by_label("Who is invited").fill("Dr Reed")
    page.get_by_label("Surgeon").check()
    page.get_by_role("button", name="Make the link").click()
    link = page.locator("code").inner_text()
    with window_on(chromium, live_server.url) as theirs:
        asked: list[Request] = []
        theirs.on("request", lambda request: asked.append(request))
        theirs.goto(link)
        for label, words in WHO.items():
            theirs.get_by_label(f"{label} required", exact=True).fill(words)
        theirs.get_by_role("button", name="Make the account").click()
        expect(theirs.get_by_text("Your account is made.")).to_be_visible()
        theirs.get_by_label("Username").fill("rowan")
        theirs.get_by_label("Password").fill(PASSWORD)
        theirs.get_by_role("button", name="Sign in").click()
        expect(theirs.get_by_role("link", name=re.compile(r"^rowan\s*: your account$"))).to_be_visible()
        referrers = [each.all_headers().get("referer", "") for each in asked]
        assert any(referrers)
        assert not [each for each in referrers if "invited" in each]
    page.get_by_role("link", name="Back to the people").click()
    expect(page.get_by_role("link", name="rowan", exact=True)).to_be_visible()
    assert User.objects.get(username="rowan").memberships.get().role == "surgeon"
