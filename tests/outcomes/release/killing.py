"""A program of its own: makes releases and is killed at them, ten times, then says what it found, as JSON.

Each release is made by a process split off from this one; it is killed a moment after it reached a stage that
chance has chosen. What lies on disk and in the ledger then is looked at before anything could settle it.
"""

import hashlib
import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import django

django.setup()

from django.conf import settings  # noqa: E402
from django.core.management import call_command  # noqa: E402
from django.db import connections  # noqa: E402
from django.utils import timezone  # noqa: E402

from outcomes.management.commands import release  # noqa: E402, F401 - loaded once, before splitting off
from outcomes.models import LedgerEntry  # noqa: E402
from outcomes.models.release import JobState, ReleaseJob  # noqa: E402
from outcomes.naming import name_cohort  # noqa: E402
from outcomes.release import ledger  # noqa: E402
from tests import factories  # noqa: E402
from tests.tables import make_tables  # noqa: E402

KILLS, PATIENTS, LONGEST_SECONDS = 10, 60, 30
FOLDER = Path(settings.RELEASES_DIR)
ASKED = [
    *("--by", "coordinator", "--cohort", "Everybody", "--project", "kills", "--purpose", "to be killed"),
    *(
        "--approval",
        "REC-1",
        "--recipient",
        "Institute of invented studies",
        "--steward",
        "steward@example.org",
    ),
    *("--attributes", "sex,side"),
]
STAGES: dict[str, Callable[[ReleaseJob], bool]] = {
    "asked": lambda job: job.state == JobState.ASKED,
    "preparing": lambda job: job.state == JobState.PREPARING,
    "freezing": lambda job: any((FOLDER / "work" / str(job.uuid)).glob("*.parquet")),
    "frozen": lambda job: (FOLDER / "work" / str(job.uuid) / "frozen.json").exists(),
    "packing": lambda job: any((FOLDER / "pending").glob(f"{job.uuid}.*.part")),
    "packed": lambda job: (FOLDER / "pending" / f"{job.uuid}.zip").exists(),
    "entered": lambda job: LedgerEntry.objects.filter(uuid=job.uuid).exists(),
}


def main() -> None:
    chance = random.Random(8)  # noqa: S311 - chooses moments
    record()
    stages = [*STAGES, *chance.choices([*STAGES], k=KILLS - len(STAGES))]
    found = [killed_at(stage, chance.random() * 0.03) for stage in stages]
    finished = [finish(job) for job in ReleaseJob.objects.exclude(state=JobState.RELEASED)]
    call_command("ledger", "verify", "--json", stdout=sys.stderr)
    print(json.dumps({"kills": found, "finished": finished, "verified": ledger.verify().problems}))  # noqa: T201


def record() -> None:
    make_tables()
    unit = factories.a_unit("northmere")
    coordinator = factories.a_person("coordinator", ("coordinator", unit))
    oak = factories.a_surgeon(unit, "oak")
    for number in range(PATIENTS):
        told = {"research_permission": "given", "research_permission_on": factories.OPERATED_ON}
        knee = factories.a_knee(unit, "left" if number % 2 else "right", **told)
        factories.a_contact(factories.a_repair(factories.an_operation(unit, oak, knee)), 300 + number)
    name_cohort(coordinator, "Everybody", {})


def killed_at(stage: str, delay: float) -> dict[str, Any]:
    """Make a release in a process of its own and kill that a moment after it reached a stage."""
    before = set(ReleaseJob.objects.values_list("pk", flat=True))
    child = apart(lambda: call_command("release", "make", *ASKED, stdout=StringIO()))
    begun = time.monotonic()
    while time.monotonic() - begun < LONGEST_SECONDS and is_running(child):
        job = ReleaseJob.objects.exclude(pk__in=before).first()
        if job and STAGES[stage](job):
            break
        time.sleep(0.001)
    time.sleep(delay)
    was_running = is_running(child)
    if was_running:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    return {"stage": stage, "was_running": was_running, **lying_about()}


def lying_about() -> dict[str, Any]:
    """Packages seen without an entry, and entries whose package is not whole anywhere."""
    entries = {str(entry.uuid): entry.said["sha256"] for entry in LedgerEntry.objects.all()}
    seen = {path.stem for path in FOLDER.glob("*.zip")}
    whole = {
        path.stem: hashlib.sha256(path.read_bytes()).hexdigest()
        for folder in (FOLDER, FOLDER / "pending")
        for path in folder.glob("*.zip")
    }
    return {
        "without_entry": sorted(seen - entries.keys()),
        "unwritten": sorted(uuid for uuid, digest in entries.items() if whole.get(uuid) != digest),
    }


def finish(job: ReleaseJob) -> str:
    """Go on with it as after the minute in which nobody was heard of."""
    ReleaseJob.objects.filter(pk=job.pk).update(beat_at=timezone.now() - timedelta(minutes=2))
    child = apart(
        lambda: call_command("release", "go-on", str(job.uuid), "--by", "coordinator", stdout=StringIO())
    )
    os.waitpid(child, 0)
    job.refresh_from_db()
    return job.state


def apart(do: Callable[[], Any]) -> int:
    connections.close_all()
    child = os.fork()
    if child:
        return child
    try:
        do()
    finally:
        sys.stderr.flush()
        os._exit(0)


def is_running(child: int) -> bool:
    try:
        done, _ = os.waitpid(child, os.WNOHANG)
    except ChildProcessError:
        return False
    return done == 0


main()
