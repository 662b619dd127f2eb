"""A site on one engine, for faults to befall."""

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from tests.faults.judged import Verdict, assert_sound, judged
from tests.faults.server import Server, environment
from tests.faults.writers import Writers
from tests.registry.apart import PROJECT


@dataclass(frozen=True)
class Place:
    """A database that holds a unit and its surgeon, a server for it, and the key of a program."""

    engine: str
    database: str
    server: Server
    key: str

    def writers(self) -> Writers:
        return Writers(self.server.address, self.key)

    def verdict(self, writers: Writers) -> Verdict:
        """What is to be said of the database, which is sound."""
        assert_sound(self.database)
        return judged(self.database, writers.writes)


def place_at(database: str, folder: Path) -> Place:
    surroundings = environment(database, folder)
    command = [sys.executable, "-m", "tests.faults.seed"]
    seeded = subprocess.run(command, cwd=PROJECT, env=surroundings, capture_output=True, text=True)
    assert seeded.returncode == 0, seeded.stderr[-3000:]
    server = Server(surroundings, folder / "server.log")
    return Place(database.partition(":")[0], database, server, seeded.stdout.split()[-1])
