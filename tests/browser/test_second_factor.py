"""The whole way in a browser: set up with the key as a phone reads it, signed out, signed in in two steps."""

import re
import time
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from registry.models import RecoveryCode, SecondFactor
from tests.conftest import Cast
from tests.factories import PASSWORD
from tests.registry.signing_in.generator import STEP_SECONDS, code_at

pytestmark = pytest.mark.browser


def test_set_up_then_signed_in_with_a_code(cast: Cast, page: Page, sign_in: Callable[[str], None]) -> None:
    sign_in("oak")
    page.goto("/account/second-factor/")
    page.get_by_role("link", name="Set one up").click()
    picture = page.get_by_role("img", name="The key below as a QR code")
    assert picture.evaluate("image => image.naturalWidth") > 100, "the policy lets the picture in"
    key = page.get_by_role("region", name="The key", exact=True).inner_text().replace(" ", "").strip()
    assert re.fullmatch(r"[A-Z2-7]{32}", key)
    page.get_by_label("Code").fill(code_at(key, time.time()))
    page.get_by_role("button", name="Set it up").click()
    expect(page.get_by_role("heading", name="Shown this once")).to_be_visible()
    assert page.get_by_role("region", name="Recovery codes").get_by_role("listitem").count() == 10
    assert RecoveryCode.objects.count() == 10
    page.get_by_role("button", name="Sign out").click()

    page.get_by_label("Username").fill("oak")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("heading", name="Second step")).to_be_visible()
    # The next step's code, a step ahead: that of now was used up by setting up.
    page.get_by_label("Code required", exact=True).fill(code_at(key, time.time() + STEP_SECONDS))
    page.get_by_role("button", name="Sign in", exact=True).click()
    expect(page.get_by_role("button", name="Sign out")).to_be_visible()
    assert SecondFactor.objects.get().last_step > 0
    page.goto(f"/knees/{cast.knee.uuid}/identity/")
    expect(page.get_by_role("button", name="Open the identity")).to_be_visible()
