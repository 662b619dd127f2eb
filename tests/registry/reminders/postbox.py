"""The mail server of sink.py as tests use it: started, planned with, and read."""

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings


@dataclass(frozen=True)
class Postbox:
    folder: Path
    port: int

    @property
    def url(self) -> str:
        return f"smtp://127.0.0.1:{self.port}"

    def plan(self, moment: str) -> None:
        """When to kill the next sender, as sink.py tells; "" for never."""
        (self.folder / "plan").write_text(moment)

    def mails(self) -> list[dict[str, str]]:
        """Everything accepted so far: {"to": address, "content": whole message}."""
        return [json.loads(line) for line in (self.folder / "mails").read_text().splitlines()]


@contextmanager
def postbox(folder: Path) -> Iterator[Postbox]:
    for name in ("mails", "plan", "sender"):
        (folder / name).write_text("")
    command = [sys.executable, "-m", "tests.registry.reminders.sink", str(folder)]
    process = subprocess.Popen(command, cwd=settings.BASE_DIR, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield Postbox(folder, int(process.stdout.readline()))
    finally:
        process.terminate()
        process.communicate(timeout=30)
