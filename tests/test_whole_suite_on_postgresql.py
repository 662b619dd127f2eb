"""The suite again, on PostgreSQL: what asks the database holds there as it does on SQLite.

Of the tests of pages only those that open every page; `-m slow` runs the others there too.
"""

import os
import re
import subprocess
import sys
from collections.abc import Callable

import pytest

from tests.servers import SAID_AT_THE_END

# Left out: what starts servers of its own (this test too), and what shows the same on either database.
SELECTION = "not postgresql and not browser and not slow"
ASKING = "tests.asking_the_database"


@pytest.mark.postgresql
@pytest.mark.parametrize(
    "selecting",
    [
        pytest.param(["-p", ASKING], id="asking the database"),
        pytest.param([], id="everything", marks=pytest.mark.slow),
    ],
)
def test_the_whole_suite_holds_on_postgresql(
    selecting: list[str],
    postgresql_url: str,
    pytestconfig: pytest.Config,
    record_property: Callable[[str, str], None],
) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-rfE", "-m", SELECTION, *selecting, "-p", "no:cacheprovider"],
        cwd=pytestconfig.rootpath,
        env={name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
        | {"DATABASE_URL": postgresql_url},
        capture_output=True,
        text=True,
        timeout=60 * 60,
    )
    said = run.stdout.splitlines()
    failures = [line for line in said if line.startswith(("FAILED", "ERROR"))]
    told = "\n".join([*failures, said[-1] if said else run.stderr])
    record_property(SAID_AT_THE_END, told)
    assert run.returncode == 0, f"{_failures(run.stdout)}\n{run.stderr}\n{told}"


def _failures(output: str) -> str:
    """What pytest printed of the tests that failed, as far as anyone would read."""
    at = re.search("= (ERRORS|FAILURES) =", output)
    return output[at.start() :][:20_000] if at else output[-20_000:]
