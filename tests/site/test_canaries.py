"""No value of a record, no token and nothing that was sent comes out in a log, an error page or on a console.

The site runs as in production, on PostgreSQL, since its errors quote what was typed. Strings that occur
nowhere else are put into every place that takes one; then everything breaks that can.
"""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import psycopg
import pytest
from cryptography.fernet import Fernet
from django.conf import settings

from registry.models import Identity
from tests.site.canaries import canary, found_in, places, plain_canary
from tests.site.canary_urls import BREAKING
from tests.site.running import HOST, free_port, is_listening

CSRF = "c" * 32
RANDOM = "k3J9xQ2mVb8LpR5tYw7ZcN4hGs6DfA1eUoIqKjXr"


@dataclass
class Site:
    """The site with its log, and what is known of its record."""

    port: int
    log: Path
    record: dict[str, Any]
    environment: dict[str, str]

    def ask(self, method: str, path: str, body: bytes | str = "", **headers: str) -> tuple[int, str]:
        sent = {
            "Host": HOST,
            "X-Forwarded-Proto": "https",
            "Origin": f"https://{HOST}",
            "Cookie": f"__Host-session={self.record['session']}; __Host-csrf={CSRF}",
            "X-CSRFToken": CSRF,
            **headers,
        }
        with closing(HTTPConnection("127.0.0.1", self.port, timeout=120)) as connection:
            connection.request(method, path, body, sent)
            with connection.getresponse() as response:
                return response.status, response.read().decode(errors="replace")

    def form(self, path: str, **fields: str) -> tuple[int, str]:
        kind = "application/x-www-form-urlencoded"
        return self.ask("POST", path, urlencode(fields), **{"Content-Type": kind})

    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.log.read_text().splitlines()]


def environment_of(database: str, folder: Path) -> dict[str, str]:
    return {
        "PATH": f"{Path(sys.executable).parent}:/usr/bin:/bin",
        "PYTHONPATH": str(settings.BASE_DIR),
        "DJANGO_SETTINGS_MODULE": "tests.site.canary_settings",
        "RIMWARD_MODE": "production",
        "RIMWARD_LOCAL_DIR": str(folder),
        "RIMWARD_STATIC_ROOT": str(folder),
        "BEHIND_TLS_PROXY": "true",
        "SECOND_FACTOR": "offered",
        "ALLOWED_HOSTS": HOST,
        "SITE_URL": f"https://{HOST}",
        "DATABASE_URL": database,
        "SECRET_KEY": f"s-{RANDOM}-secret-key",
        "IDENTITY_INDEX_KEY": f"i-{RANDOM}",
        "IDENTITY_KEYS": Fernet.generate_key().decode(),
        "RELEASE_KEYS": f"r-{RANDOM}",
        "RELEASES_DIR": str(folder / "releases"),
    }


@pytest.fixture(scope="module")
def prepared(
    postgresql_url: str, tmp_path_factory: pytest.TempPathFactory
) -> tuple[dict[str, str], dict[str, Any]]:
    """The environment of an installation, and what its record holds."""
    with psycopg.connect(postgresql_url, autocommit=True) as connection:
        connection.execute("CREATE DATABASE canaries")
    database = postgresql_url.replace("/postgres?", "/canaries?")
    environment = environment_of(database, tmp_path_factory.mktemp("canaries"))
    said = {f"record {name}": canary(f"record {name}") for name in Identity.FIELDS}
    made = subprocess.run(
        [sys.executable, "-c", "from tests.site.canaries import prepare; prepare()"],
        env=environment | {"CANARIES": json.dumps(said)},
        capture_output=True,
        text=True,
    )
    assert made.returncode == 0, made.stderr
    return environment, json.loads(made.stdout)


# At DEBUG everything is written that is written at the usual level, and more.
LEVELS = [pytest.param("DEBUG"), pytest.param("", id="usual level", marks=pytest.mark.slow)]


@pytest.fixture(params=LEVELS)
def site(prepared: Any, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Site]:
    environment, record = prepared
    environment = environment | ({"LOG_LEVEL": request.param} if request.param else {})
    with serving(environment, record, tmp_path) as site:
        yield site


class serving:  # noqa: N801 - reads as what it does
    """The site, served by gunicorn as docker-compose.yml does; all that it writes goes to a file."""

    def __init__(self, environment: dict[str, str], record: dict[str, Any], folder: Path) -> None:
        port = free_port()
        self.site = Site(port, folder / "log", record, environment)
        words = ["gunicorn", "registry.site.wsgi", "--config=python:registry.site.gunicorn_settings"]
        words += [f"--bind=127.0.0.1:{port}", "--threads=4", "--no-control-socket"]
        with self.site.log.open("wb") as log:
            self.process = subprocess.Popen(
                words, env=environment, cwd=folder, stdout=log, stderr=subprocess.STDOUT
            )

    def __enter__(self) -> Site:
        while not is_listening(self.site.port):
            assert self.process.poll() is None, self.site.log.read_text()
            time.sleep(0.05)
        return self.site

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait(timeout=60)


@pytest.mark.postgresql
@pytest.mark.any_engine
def test_nothing_comes_out(site: Site) -> None:
    pages = [*use_every_place(site), *break_everything(site), *crash_a_command(site)]
    wait_for(site, "A job broke off.")
    wait_for(site, "A command was refused.")
    assert len(places()) > 40
    for page in pages:
        assert found_in(page) == set(), page[:2000]
    written = site.log.read_text()
    assert found_in(written) == set(), [line for line in written.splitlines() if found_in(line)][:3]
    told_enough(site)
    for leak in leaked(site):
        assert found_in(leak) == {"planted"}, "a leak would not be found"


def use_every_place(site: Site) -> Iterator[str]:
    """What a person, a patient, a program and a stranger can send; yields pages that may quote nothing."""
    knee = site.record["knee"]
    site.form("/sign-in/", username=canary("user name"), password=canary("password"), next=canary("next"))
    _, page = site.ask("GET", "/operations/new/")
    names = {each.split('"')[0] for each in page.split(' name="')[1:]} - {"csrfmiddlewaretoken"}
    assert len(names) > 30
    site.form("/operations/new/", **{name: canary(f"operation {name}") for name in names})
    site.form(f"/knees/{knee}/identity/", purpose=canary("purpose"), reason=canary("why opened"))
    site.form(
        f"/knees/{knee}/identity/correct/", **{name: canary(f"identity {name}") for name in Identity.FIELDS}
    )
    site.ask("GET", f"/r/{plain_canary('link')}/", Cookie="")
    site.form(f"/r/{plain_canary('link')}/", year=canary("year"))
    site.ask("GET", f"/invited/{plain_canary('invitation')}/", Cookie="")
    site.ask("GET", f"/repairs/?surgeon={quote(canary('filter'))}")
    yield site.ask("GET", f"/nowhere/{quote(canary('path'))}/?q={quote(canary('query'))}")[1]
    yield site.ask("GET", f"/units/{plain_canary('unit')}/")[1]
    yield from _a_program(site)
    yield from _a_file(site)
    yield from _a_stranger(site)


def _a_program(site: Site) -> Iterator[str]:
    body = json.dumps({"hospital_number": canary("number"), canary("name of a member"): canary("member")})
    key = {"Authorization": f"Bearer {plain_canary('key')}", "Idempotency-Key": plain_canary("idempotency")}
    kind = {"Content-Type": "application/json"}
    yield site.ask("POST", "/api/v1/patients/find/", body, **key, **kind, Cookie="")[1]
    yield site.ask("GET", f"/api/v1/{plain_canary('address')}/", **key, Cookie="")[1]
    yield site.ask("GET", "/api/v1/patients/", **{"If-Match": plain_canary("tag"), **key}, Cookie="")[1]


def _a_file(site: Site) -> Iterator[str]:
    for content in (f"patient;{canary('cell')}\n{canary('row')};1\n", f"\0PK{canary('no sheet')}"):
        name = f"{plain_canary('file name')}.csv"
        parts = (
            f'--b\r\nContent-Disposition: form-data; name="file"; filename="{name}"\r\n'
            f"Content-Type: text/csv\r\n\r\n{content}\r\n--b--\r\n"
        )
        kind = {"Content-Type": "multipart/form-data; boundary=b"}
        site.ask("POST", "/intake/new/", parts.encode(), **kind)
    cut = {"Content-Type": f"multipart/form-data; boundary={plain_canary('boundary')}"}
    yield site.ask("POST", "/sign-in/", f"--{plain_canary('boundary')}\r\n", **cut)[1]


def _a_stranger(site: Site) -> Iterator[str]:
    forged = {"X-CSRFToken": plain_canary("csrf"), "Origin": f"https://{plain_canary('origin')}.example"}
    yield site.ask("POST", "/sign-in/", urlencode({"a": canary("forged")}), **forged)[1]
    yield site.ask("GET", "/sign-in/", Host=f"{plain_canary('host')}.example")[1]
    yield site.ask(plain_canary("method").upper(), "/sign-in/")[1]
    told = {"User-Agent": plain_canary("browser"), "X-Request-ID": plain_canary("id")}
    yield site.ask("GET", "/nowhere/", **told, Referer=f"https://{HOST}/{plain_canary('referrer')}/")[1]
    yield site.ask(
        "GET", "/nowhere/", Cookie=f"__Host-session={plain_canary('session')}; a={plain_canary('x')}"
    )[1]
    yield site.form("/sign-in/", **{f"{plain_canary('many')}{number}": "1" for number in range(1100)})[1]
    large = {"Content-Length": "9999999", "X-A": plain_canary("large")}
    yield site.ask("POST", "/sign-in/", "x", **large)[1]
    site.ask("GET", "/sign-in/", **{f"{plain_canary('header name')} bad": plain_canary("header")})


def break_everything(site: Site) -> Iterator[str]:
    """Every page that breaks, with a value that was sent and with one in its address."""
    for each in BREAKING[:-1]:
        yield site.form(f"/broken/{each.__name__}/", said=canary(f"sent to {each.__name__}"))[1]
    for each in BREAKING[:6]:
        yield site.ask("GET", f"/broken/{each.__name__}/{plain_canary(f'address of {each.__name__}')}/")[1]
    with pytest.raises(HTTPException):
        site.ask("GET", f"/broken/stream/?said={plain_canary('stream')}")


def crash_a_command(site: Site) -> Iterator[str]:
    """Standard output and error of a command that breaks."""
    words = [sys.executable, "-m", "tests.site.canary_command", canary("argument")]
    done = subprocess.run(
        words, env=site.environment, cwd=settings.BASE_DIR, capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    problems = json.loads(line)["problem"]
    assert [each["kind"] for each in problems] == [
        "django.db.utils.IntegrityError",
        "psycopg.errors.UniqueViolation",
    ]
    assert "tests/site/canary_command.py" in problems[0]["frames"][-1] or any(
        "canary_urls.py" in each for each in problems[0]["frames"]
    )
    yield done.stdout + done.stderr


def wait_for(site: Site, said: str) -> None:
    for _ in range(300):
        if said in site.log.read_text():
            return
        time.sleep(0.1)
    raise AssertionError(f"never written: {said}")


def told_enough(site: Site) -> None:
    """The log is still of use: a line for every request, and for every error its kind and place."""
    lines = site.lines()
    answered = [line for line in lines if line["said"] == "Answered."]
    assert all(
        {"at", "request_id", "method", "route", "status", "ms", "user"} <= line.keys() for line in answered
    )
    routes = {line["route"] for line in answered}
    assert {
        "r/<str:token>/",
        "invited/<str:token>/",
        "no page",
        "operations/new/",
        "api/v1/patients/find/",
    } <= routes
    assert {line["method"] for line in answered} == {"GET", "POST", "other"}
    assert {400, 403, 404, 413, 500} <= {line["status"] for line in answered}
    assert len({line["request_id"] for line in answered}) == len(answered)
    problems = [problem for line in lines for problem in line.get("problem", [])]
    kinds = {problem["kind"].rpartition(".")[2] for problem in problems}
    assert {"IntegrityError", "DataError", "RuntimeError", "ExceptionGroup", "TemplateSyntaxError"} <= kinds
    assert {"22P02", "22001", "23505"} <= {problem.get("sqlstate") for problem in problems}
    assert any("tests/site/canary_urls.py" in frame for problem in problems for frame in problem["frames"])
    broken = [line for line in lines if line["logger"] == "django.request" and "problem" in line]
    assert {line["request_id"] for line in broken} <= {line["request_id"] for line in answered}


def leaked(site: Site) -> Iterator[str]:
    """What is written on purpose, in each form that a value may take, as it stands in the log."""
    import base64

    said = canary("planted")
    forms = (
        said,
        quote(said),
        json.dumps(said),
        repr(said),
        *(base64.b64encode(f"{'x' * before}{said}".encode()).decode() for before in range(3)),
    )
    for each in forms:
        before = len(site.log.read_text())
        site.form("/broken/leaks/", said=each)
        yield site.log.read_text()[before:]
