"""The site started by the commands of docker-compose.yml, and asked the way a TLS proxy asks it."""

import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from email.message import Message
from http.client import HTTPConnection
from urllib.parse import urlencode

from django.conf import settings

from tests.site.compose import SERVICES

HOST = "rimward.example.org"


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Message
    text: str


@dataclass(frozen=True)
class Site:
    """A site running on this machine's loopback."""

    port: int
    environment: dict[str, str]

    def ask(self, path: str, form: dict[str, str] | None = None, **headers: str) -> Answer:
        """GET, or POST when there is a form; redirects are not followed."""
        sent = {"Host": HOST, "X-Forwarded-Proto": "https", "Referer": f"https://{HOST}{path}", **headers}
        if form is not None:
            sent["Content-Type"] = "application/x-www-form-urlencoded"
        connection = HTTPConnection("127.0.0.1", self.port, timeout=120)
        connection.request("GET" if form is None else "POST", path, form and urlencode(form), sent)
        response = connection.getresponse()
        answer = Answer(response.status, response.headers, response.read().decode())
        connection.close()
        return answer

    def is_healthy(self) -> bool:
        """What the container's own health check finds: sick only after so many tries in a row."""
        check = SERVICES["site"]["healthcheck"]
        kind, *command = check["test"]
        assert kind == "CMD"
        here = [word.replace(":8000/", f":{self.port}/") for word in command]
        return any(run(here, self.environment).returncode == 0 for _ in range(check["retries"]))


def run(command: list[str], environment: dict[str, str]) -> subprocess.CompletedProcess[str]:
    """Run a command of the compose file in the project's folder, to its end."""
    return subprocess.run(
        command, env=environment, cwd=settings.BASE_DIR, capture_output=True, text=True, timeout=120
    )


def start_command(port: int) -> list[str]:
    return [word.replace(":8000", f":{port}") for word in SERVICES["site"]["command"]]


@contextmanager
def serving(environment: dict[str, str]) -> Iterator[Site]:
    """The site, listening; stopped at the end."""
    port = free_port()
    process = subprocess.Popen(start_command(port), env=environment, cwd=settings.BASE_DIR)
    try:
        while not is_listening(port):
            assert process.poll() is None, f"the site stopped with exit code {process.returncode}"
            time.sleep(0.1)
        yield Site(port, environment)
    finally:
        process.terminate()
        process.wait(timeout=60)


def is_listening(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port: int = taken.getsockname()[1]
        return port
