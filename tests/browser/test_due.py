"""Due on a phone without script: from the list to a call and back, the acts by keyboard."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect

from registry.models import Contact, EndOfFollowUp, IndexProcedure
from registry.recording import record
from tests import factories
from tests.conftest import Cast

pytestmark = pytest.mark.browser


@pytest.fixture
def page(chromium: Browser, live_server: Any, transactional_db: None) -> Iterator[Page]:
    context = chromium.new_context(
        base_url=live_server.url, java_script_enabled=False, viewport={"width": 360, "height": 740}
    )
    yield context.new_page()
    context.close()


def operated(cast: Cast, days: int) -> IndexProcedure:
    procedure = factories.an_operation(
        cast.unit, cast.oak, operated_on=timezone.localdate() - timedelta(days=days)
    )
    factories.a_repair(procedure)
    return procedure


def test_from_the_list_to_a_call_and_back(cast: Cast, page: Page, sign_in: Callable[[str], None]) -> None:
    ended = EndOfFollowUp(patient=cast.knee.patient, ended_on=timezone.localdate(), reason="moved")
    record(ended)
    overdue, waiting = operated(cast, 60).knee, operated(cast, 45).knee
    sign_in("clinician")
    page.get_by_role("link", name="Due", exact=True).click()
    page.get_by_role("link", name="Due 1", exact=True).click()
    expect(page.get_by_role("row")).to_have_count(2)
    expect(page.get_by_role("rowheader")).to_contain_text(str(waiting.patient.uuid)[:8])
    page.get_by_role("link", name="Overdue 1").click()
    line = page.get_by_role("row").filter(has_text=str(overdue.patient.uuid)[:8])
    line.get_by_role("link", name="Phone").press("Enter")
    page.get_by_label("No", exact=True).press("Space")
    page.get_by_label("Where").press("Enter")
    expect(page.get_by_text("Contact recorded.")).to_be_visible()
    assert Contact.objects.get().knee == overdue
    # The list as it was: the call answers no review.
    assert page.url.endswith("/due/?state=overdue")
    expect(line).to_be_visible()
