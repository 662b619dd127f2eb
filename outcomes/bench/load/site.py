"""The site as an installation serves it, by gunicorn in processes of its own, on a port of this machine."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from django.conf import settings

# As docker-compose.yml has it.
WORKERS, THREADS = 2, 4
AS_INSTALLED = "python:registry.site.gunicorn_settings"
STARTS_WITHIN = 60


@contextmanager
def served() -> Iterator[int]:
    """The port it listens on; stopped at the end."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port: int = taken.getsockname()[1]
    server = subprocess.Popen(  # noqa: S603 - our own server
        [
            *(
                sys.executable,
                "-m",
                "gunicorn",
                settings.WSGI_APPLICATION.replace(".application", ":application"),
            ),
            *(
                f"--bind=127.0.0.1:{port}",
                f"--config={AS_INSTALLED}",
                "--no-control-socket",
            ),
        ],
        cwd=settings.BASE_DIR,
        env=os.environ
        | {
            "RIMWARD_MODE": settings.MODE,
            "WEB_CONCURRENCY": str(WORKERS),
            "WEB_THREADS": str(THREADS),
        },
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        _wait_for(port, server)
        yield port
    finally:
        server.terminate()
        server.wait(timeout=STARTS_WITHIN)


def _wait_for(port: int, server: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + STARTS_WITHIN
    while not _listens(port):
        if server.poll() is not None or time.monotonic() > until:
            raise ValueError("The site did not start; run gunicorn by hand to see why.")
        time.sleep(0.1)


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
