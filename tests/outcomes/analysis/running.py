"""`manage.py analyse` as a shell would run it, in this process: what it prints, and the code it ends with."""

import io
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass

from outcomes.management.commands.analyse import Command


@dataclass(frozen=True)
class Ended:
    code: int
    out: str
    err: str


def analyse(*arguments: object) -> Ended:
    """Run the command on arguments as typed."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        try:
            Command(stdout=out, stderr=err).run_from_argv(["manage.py", "analyse", *map(str, arguments)])
            code = 0
        except SystemExit as end:
            code = int(end.code or 0)
    return Ended(code, out.getvalue(), err.getvalue())
