"""A program of its own: takes in files and is killed at it, ten times, then says what it found, as JSON.

Each file is taken in by a process split off from this one, killed a moment after it told of a step that
chance has chosen. What is on record then is counted before anything could settle it.
"""

import json
import os
import random
import signal
import sys
import time
from typing import Any

import django

django.setup()

from django.db import connection, connections  # noqa: E402

from registry.intake import work  # noqa: E402
from registry.models import Intake, IntakeRow, User  # noqa: E402
from registry.models.history_rules import kept_models  # noqa: E402
from registry.telling import silently  # noqa: E402
from tests import factories  # noqa: E402
from tests.registry.intake.old_notes import REPAIRED, VISIT, file_of  # noqa: E402
from tests.tables import make_tables  # noqa: E402

KILLS, PEOPLE, AT_ONCE = 10, 10, 2
# Told before each chunk of people and after the last.
STEPS = PEOPLE // AT_ONCE + 1
work.PEOPLE_AT_ONCE = AT_ONCE


def main() -> None:
    chance = random.Random(9)  # noqa: S311 - chooses moments
    make_tables()
    unit = factories.a_unit("northmere")
    oak = factories.a_person("oak", ("surgeon", unit))
    factories.a_surgeon(unit, "oak", oak)
    intakes = [rehearsed(number, oak) for number in range(KILLS + 1)]
    whole, seconds = taken_in_undisturbed(intakes.pop(), oak)
    kills = []
    for number, intake in enumerate(intakes):
        # Half of them anywhere on the way; half after the last row, where it is committed.
        step = chance.randrange(1, STEPS) if number % 2 else STEPS
        kills.append(killed(intake, oak, step, chance.uniform(0, 0.01 if number % 2 else 1.3 * seconds)))
    again = [intake for intake in intakes if not IntakeRow.objects.filter(intake=intake).exists()]
    for intake in again:
        intake.refresh_from_db()
        work.take_in(intake, oak, silently)
    finished = [brought(intake) for intake in intakes]
    print(json.dumps({"kills": kills, "whole": whole, "finished": finished, "again": len(again)}))  # noqa: T201


def rehearsed(number: int, oak: User) -> Intake:
    """A file of people of its own."""
    rows = []
    for person in range(PEOPLE):
        who = {"patient.hospital_number": f"H {number}-{person}"}
        rows += [{**REPAIRED, **who}, {**VISIT, **who}]
    intake = file_of(oak.memberships.get().unit, oak, rows)
    work.rehearse(intake, silently)
    return intake


def taken_in_undisturbed(intake: Intake, oak: User) -> tuple[dict[str, int], float]:
    """What a whole file puts on record, and how long that takes after the last row."""
    before = on_record()
    child, told = apart(intake, oak)
    wait_for(STEPS, told)
    begun = time.monotonic()
    os.waitpid(child, 0)
    return increase(before), time.monotonic() - begun


def killed(intake: Intake, oak: User, step: int, after: float) -> dict[str, Any]:
    """Take a file in and kill that so many seconds after it told of a step."""
    before = on_record()
    child, told = apart(intake, oak)
    wait_for(step, told)
    time.sleep(after)
    was_running = os.waitpid(child, os.WNOHANG) == (0, 0)
    if was_running:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    os.close(told)
    wait_for_the_server()
    intake.refresh_from_db()
    return {
        "was_running": was_running,
        "increase": increase(before),
        "brought": brought(intake),
        "state": intake.state,
        "file_is_kept": intake.file_sealed is not None,
    }


def apart(intake: Intake, oak: User) -> tuple[int, int]:
    """A process that takes a file in, and a pipe by which it says that it begins a step."""
    connections.close_all()
    told, tell = os.pipe()
    child = os.fork()
    if child:
        os.close(tell)
        return child, told
    try:
        work.take_in(intake, oak, lambda step, done, total: say(tell, step))
    finally:
        sys.stderr.flush()
        os._exit(0)
    raise AssertionError("not reached")


def wait_for(step: int, told: int) -> None:
    for _ in range(step):
        os.read(told, 1)


def say(tell: int, step: str) -> None:
    if step == "Taking in":
        os.write(tell, b".")


def wait_for_the_server() -> None:
    """Until PostgreSQL has seen that nobody is at the other end any more: a commit may be under way."""
    if connection.vendor != "postgresql":
        return
    others = (
        "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
    )
    with connection.cursor() as cursor:
        while True:
            cursor.execute(others)
            if cursor.fetchone() == (0,):
                return
            time.sleep(0.01)


def on_record() -> dict[str, int]:
    return {model.__name__: model.ever.count() for model in kept_models()}


def increase(before: dict[str, int]) -> dict[str, int]:
    return {name: count - before[name] for name, count in on_record().items() if count > before[name]}


def brought(intake: Intake) -> int:
    return IntakeRow.objects.filter(intake=intake).count()


main()
