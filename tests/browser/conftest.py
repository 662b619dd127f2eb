"""A real Chromium in front of the site. What a page logs as an error, throws, or breaks of its policy fails.

Playwright's synchronous interface runs an event loop in the thread of the test, so Django has to be told that
records may be made there.
"""

import itertools
import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from functools import partial
from typing import Any

import pytest
from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.test import override_settings
from playwright.sync_api import Browser, Page, sync_playwright

from tests import factories
from tests.browser.windows import sign_in_through_the_form, window_on
from tests.conftest import Cast
from tests.servers import chromium_path

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]


@pytest.fixture(scope="package")
def chromium() -> Iterator[Browser]:
    path = chromium_path()
    with pytest.MonkeyPatch.context() as patch, sync_playwright() as playwright:
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def live_server(request: pytest.FixtureRequest) -> Any:
    """The live site. It answers one request at a time: SQLite in memory is one connection for all threads."""
    with override_settings(MIDDLEWARE=[f"{__name__}.one_at_a_time", *settings.MIDDLEWARE]):
        return request.getfixturevalue("live_server")


# Held while a request is answered; what comes when no test runs is turned away before it reads any record.
_answering, _open = threading.Lock(), threading.Event()


def one_at_a_time(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    def middleware(request: HttpRequest) -> HttpResponse:
        with _answering:
            return get_response(request) if _open.is_set() else HttpResponse(status=503)

    return middleware


@pytest.fixture
def transactional_db(transactional_db: None, chromium: Browser) -> Iterator[None]:
    """Records that stay until every window is closed and has all that it still asked for."""
    _open.set()
    yield
    for window in chromium.contexts:
        window.close()
    with _answering:
        _open.clear()
    wait_for_answers_under_way()


@pytest.fixture
def page(chromium: Browser, live_server: Any, transactional_db: None) -> Iterator[Page]:
    """A window on the live site."""
    with window_on(chromium, live_server.url) as page:
        yield page


def wait_for_answers_under_way() -> None:
    """Answered already, they still let go of the database."""
    for thread in threading.enumerate():
        if "process_request_thread" in thread.name:
            thread.join(timeout=30)
            assert not thread.is_alive(), f"{thread.name} still answers a closed window"


@pytest.fixture
def sign_in(page: Page) -> Callable[[str], None]:
    """Signs a person in through the form."""

    return partial(sign_in_through_the_form, page)


@pytest.fixture
def repairs(cast: Cast) -> None:
    """Sixty more repairs over twenty months, three in seven failed, so that every curve has steps."""
    zones = itertools.cycle(["RR", "RW", "WW"])
    delays = itertools.cycle([7, 60, 200, 400])
    ligaments = itertools.cycle(["intact", "treated_here", "staged", "intact", "intact"])
    for number, zone, delay, ligament in zip(range(60), zones, delays, ligaments, strict=False):
        operated_on = factories.OPERATED_ON - timedelta(days=10 * number)
        injured_on = operated_on - timedelta(days=delay)
        operation = factories.an_operation(
            cast.unit, cast.oak, operated_on=operated_on, injured_on=injured_on, acl=ligament
        )
        repair = factories.a_repair(operation, vascular_zone=zone)
        if number % 7 in (0, 3, 5):
            factories.a_failure(repair, days=30 + 9 * number)
        else:
            factories.a_contact(repair, days=700 - 9 * number)
