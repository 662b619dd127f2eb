"""Windows of the browser, and sites in processes of their own for them to open."""

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page

from tests.factories import PASSWORD
from tests.registry.apart import PROJECT
from tests.site.running import free_port, is_listening

WAIT_MS = 90_000
WIDE = {"width": 1440, "height": 900}
NAME_THE_VIOLATION = """
document.addEventListener("securitypolicyviolation", (event) =>
  console.error(`policy: ${event.violatedDirective} blocked ${event.blockedURI || event.sample}`));
"""


@contextmanager
def window_on(browser: Browser, address: str, **options: Any) -> Iterator[Page]:
    """A window on a site; at the end it must have nothing to complain about."""
    context = browser.new_context(base_url=address, **options)
    page = context.new_page()
    complaints: list[str] = []
    page.add_init_script(NAME_THE_VIOLATION)
    page.on("pageerror", lambda error: complaints.append(f"{page.url}: {error}"))
    page.on("console", lambda said: said.type == "error" and complaints.append(f"{page.url}: {said.text}"))
    yield page
    context.close()
    assert not complaints, "\n".join(complaints)


def sign_in_through_the_form(page: Page, username: str) -> None:
    """Sign a person in, and wait until they are."""
    page.goto("/sign-in/")
    page.get_by_label("Username").fill(username)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Sign out").wait_for()


@contextmanager
def served(environment: dict[str, str]) -> Iterator[str]:
    """The address of a site in a process of its own; stopped at the end."""
    port = free_port()
    address = f"127.0.0.1:{port}"
    command = [sys.executable, "manage.py", "runserver", address, "--noreload", "--skip-checks"]
    process = subprocess.Popen(
        command, cwd=PROJECT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        while not is_listening(port):
            assert process.poll() is None, f"the site stopped with exit code {process.returncode}"
            time.sleep(0.1)
        yield f"http://{address}"
    finally:
        process.terminate()
        process.wait(timeout=60)


def path_of(page: Page) -> str:
    return "/" + page.url.split("/", 3)[3]


def taken(page: Page, link: str, folder: Path) -> Path:
    """Follow a link that downloads, and keep the file."""
    with page.expect_download(timeout=WAIT_MS) as download:
        page.get_by_role("link", name=link).click()
    path = folder / download.value.suggested_filename
    download.value.save_as(path)
    return path
