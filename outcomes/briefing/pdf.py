"""The same HTML printed to PDF by a Chromium found on the machine."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path

ENVIRONMENT = "RIMWARD_CHROMIUM"
USUAL_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
# By hand: a briefing of the demo prints in a few seconds.
AT_MOST_SECONDS = 90
# Time that passes inside the page before it is printed: enough for every figure to be drawn.
DRAWING_MS = 20_000
# As wide as the text of an A4 page with its margins, so that figures need not be drawn anew.
WINDOW = "718,1000"


class NoPdfError(RuntimeError):
    """There is no PDF, and why; the HTML file prints the same from any browser."""


def chromium() -> str | None:
    """The program that prints, None when there is none."""
    named = os.environ.get(ENVIRONMENT)
    if named:
        return shutil.which(named)
    return next((found for name in USUAL_NAMES if (found := shutil.which(name))), None)


def pdf_of(html: bytes, program: str | None = None) -> bytes:
    """Print a briefing.

    Raises
    ------
    NoPdfError
        When there is no Chromium, or it fails or takes longer than AT_MOST_SECONDS.
    """
    found = program or chromium()
    if found is None:
        raise NoPdfError(
            f"No Chromium was found on this machine (looked for {', '.join(USUAL_NAMES)}; {ENVIRONMENT} may "
            "name another). Open the HTML file in any browser and print it: it is the same."
        )
    with tempfile.TemporaryDirectory(prefix="briefing-") as folder:
        page, printed = Path(folder) / "briefing.html", Path(folder) / "briefing.pdf"
        page.write_bytes(html)
        _print(found, page, printed)
        return printed.read_bytes()


def _print(program: str, page: Path, printed: Path) -> None:
    command = [program, *_arguments(page.parent), f"--print-to-pdf={printed}", page.as_uri()]
    with subprocess.Popen(  # noqa: S603 - a program that the machine's owner installed, no input in it
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True
    ) as running:
        try:
            _, said = running.communicate(timeout=AT_MOST_SECONDS)
        except subprocess.TimeoutExpired:
            os.killpg(running.pid, signal.SIGKILL)
            running.communicate()
            raise NoPdfError(
                f"Chromium did not print within {AT_MOST_SECONDS} s. Open the HTML file and print it."
            ) from None
    if running.returncode or not printed.exists():
        last = said.decode(errors="replace").strip().splitlines()[-1:] or [f"exit code {running.returncode}"]
        raise NoPdfError(f"Chromium did not print ({last[0][:200]}). Open the HTML file and print it.")


def _arguments(folder: Path) -> list[str]:
    return [
        "--headless",
        # Inside a container its own sandbox is refused to root.
        *(["--no-sandbox"] if os.geteuid() == 0 else []),
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--disable-background-networking",
        "--no-first-run",
        "--no-pdf-header-footer",
        f"--user-data-dir={folder / 'profile'}",
        f"--window-size={WINDOW}",
        f"--virtual-time-budget={DRAWING_MS}",
    ]
