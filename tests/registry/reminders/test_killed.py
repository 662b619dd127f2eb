"""Killed at any moment and run again, or run twice at once: nobody gets two letters, nobody none.

The real command, a real database and a real mail server, each in a process of its own. The one exception is
told, not hidden: a message handed over whose answer nobody heard. Killed while the server held the whole
message, it has arrived; killed in the instant before the last bytes left, it has not. Neither is sent again.
"""

import json
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
from base64 import urlsafe_b64decode
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import psycopg
import pytest
from django.conf import settings

from registry.reminders.send import NO_ANSWER
from registry.reminders.timetable import CLAIM_HOLDS
from tests.registry.reminders.postbox import Postbox, postbox

PATIENTS = 24
# Each kills one run while it waits for an answer, so that the outcome is certain; but for "go-ahead",
# "answered" and so many milliseconds after the start, when it may be anywhere.
MOMENTS = ("rcpt 2", "data 1", "go-ahead 2", "dot 2", "answered 2", "quit 1", "after 9", "after 35")
# Every day one of each kind.
USUAL_MOMENTS = ("data 1", "go-ahead 2", "dot 2", "after 9")
LINK = re.compile(r"/r/([\w-]{22})\.")


@dataclass(frozen=True)
class Record:
    """A database of its own, filled with patients who are due."""

    url: str
    connect: Callable[[], Any]

    def rows(self) -> dict[UUID, tuple[str, str]]:
        """State and problem of every message, by the link it was for; each link has one."""
        query = (
            "SELECT link.uuid, message.state, message.problem FROM registry_message AS message "
            "JOIN registry_patientlink AS link ON link.id = message.link_id"
        )
        with closing(self.connect()) as connection:
            rows = connection.execute(query).fetchall()
        assert len({row[0] for row in rows}) == len(rows)
        return {UUID(str(row[0])): (row[1], row[2]) for row in rows}

    def unheard(self) -> int:
        return sum(state == "handed_over" for state, _ in self.rows().values())

    def let_time_pass(self) -> None:
        """So long that a claim which nobody works on may be taken over."""
        earlier = f"{datetime.now(UTC) - CLAIM_HOLDS - timedelta(minutes=1):%Y-%m-%d %H:%M:%S+00:00}"
        with closing(self.connect()) as connection:
            connection.execute(
                f"UPDATE registry_message SET claimed_at = '{earlier}' "  # noqa: S608 - a time of our own
                "WHERE state IN ('claimed', 'handed_over')"
            )
            connection.commit()


@dataclass(frozen=True)
class Sender:
    """Starts the command on a record, with letters going to a postbox."""

    record: Record
    postbox: Postbox
    environment: dict[str, str]

    def start(self) -> subprocess.Popen[str]:
        # The number of the process is known to the postbox before it can be asked for it.
        command = f'echo $$ > "$1" && exec "{sys.executable}" manage.py remind --json'
        return subprocess.Popen(
            ["sh", "-c", command, "sh", str(self.postbox.folder / "sender")],
            env=self.environment | {"DATABASE_URL": self.record.url, "EMAIL_URL": self.postbox.url},
            cwd=settings.BASE_DIR,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def run(self, plan: str = "") -> int:
        """Run once, killed where planned; the exit code. What was left behind is old enough afterwards."""
        self.postbox.plan(plan)
        process = self.start()
        said = process.communicate(timeout=120)
        assert process.returncode in ((-signal.SIGKILL,) if plan else (0, 1)), f"{plan}: {said}"
        self.record.let_time_pass()
        return process.returncode

    def finish(self) -> None:
        """Run until nothing is left to do, nor to tell."""
        self.run()
        assert self.run() == 0

    def delivered(self) -> Counter[UUID]:
        """How often each link was delivered."""
        tokens = (LINK.findall(mail["content"]) for mail in self.postbox.mails())
        return Counter(UUID(bytes=urlsafe_b64decode(token + "==")) for (token,) in tokens)


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    mode = {"RIMWARD_MODE": "local", "RIMWARD_LOCAL_DIR": str(tmp_path_factory.mktemp("local"))}
    return {"PATH": os.environ["PATH"]} | mode


def fill(environment: dict[str, str], url: str) -> None:
    """Make the tables in an empty database and put the patients into it."""
    subprocess.run(
        [sys.executable, "-m", "tests.registry.reminders.filled", str(PATIENTS)],
        env=environment | {"DATABASE_URL": url},
        cwd=settings.BASE_DIR,
        check=True,
        timeout=300,
    )


@pytest.fixture(scope="module")
def sqlite_filled(environment: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("filled") / "rimward.sqlite3"
    fill(environment, f"sqlite:///{path}")
    return path


@pytest.fixture(scope="module")
def postgresql_filled(environment: dict[str, str], postgresql_url: str) -> str:
    with psycopg.connect(postgresql_url, autocommit=True) as connection:
        connection.execute("CREATE DATABASE remind_filled")
    fill(environment, postgresql_url.replace("/postgres?", "/remind_filled?"))
    return postgresql_url


def on_sqlite(request: pytest.FixtureRequest, tmp_path: Path) -> Record:
    path = tmp_path / "rimward.sqlite3"
    shutil.copy(request.getfixturevalue("sqlite_filled"), path)
    return Record(f"sqlite:///{path}", lambda: sqlite3.connect(path, timeout=30))


def on_postgresql(request: pytest.FixtureRequest, tmp_path: Path) -> Record:
    server = request.getfixturevalue("postgresql_filled")
    name = f"remind_{tmp_path.name[-40:].lower()}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}" TEMPLATE remind_filled')
    url = server.replace("/postgres?", f"/{name}?")
    return Record(url, lambda: psycopg.connect(url))


@pytest.fixture(params=[on_sqlite, pytest.param(on_postgresql, marks=pytest.mark.postgresql)])
def sender(request: pytest.FixtureRequest, environment: dict[str, str], tmp_path: Path) -> Iterator[Sender]:
    with postbox(tmp_path) as box:
        yield Sender(request.param(request, tmp_path), box, environment)


def nobody_gets_two_and_nobody_none(sender: Sender) -> set[UUID]:
    """Every patient has one letter, or a message told as unheard; the links of the unheard."""
    delivered, rows = sender.delivered(), sender.record.rows()
    assert max(delivered.values()) == 1, "nobody gets two"
    assert len(rows) == PATIENTS
    unheard = {
        link for link, (state, problem) in rows.items() if (state, problem) == ("handed_over", NO_ANSWER)
    }
    assert {state for link, (state, _) in rows.items() if link not in unheard} == {"sent"}
    assert set(rows) - set(delivered) <= unheard, "nobody none, but for what is told"
    return unheard


@pytest.mark.parametrize(
    "moments", [USUAL_MOMENTS, pytest.param(MOMENTS, marks=pytest.mark.slow)], ids=["usual", "all"]
)
def test_killed_at_every_step_of_a_letter_and_at_any_time(sender: Sender, moments: tuple[str, ...]) -> None:
    unheard = 0
    for plan in moments:
        sender.run(plan)
        before, unheard = unheard, sender.record.unheard()
        if plan.startswith("dot"):
            assert unheard == before + 1, "the server had it, and nobody heard its answer"
        elif not plan.startswith(("go-ahead", "answered", "after")):
            assert unheard == before, f"{plan}: it was certain whether it was sent"
    sender.finish()
    assert len(nobody_gets_two_and_nobody_none(sender)) == unheard


def test_two_at_the_same_time(sender: Sender) -> None:
    both = [sender.start(), sender.start()]
    told = [json.loads(process.communicate(timeout=120)[0]) for process in both]
    assert [process.returncode for process in both] == [0, 0]
    assert nobody_gets_two_and_nobody_none(sender) == set()
    assert sum(one["sent"].get("invitation", 0) for one in told) == PATIENTS
