"""A base for commands: every --help ends with an example and what the exit codes mean.

A refusal is said to whoever typed the command. In the background nobody did, and standard error is the log,
so there only the kind of the refusal is told. What nobody foresaw is told like that everywhere: see
registry/site/logging_settings.py.
"""

import logging
import os
import sys
from argparse import ArgumentParser, RawDescriptionHelpFormatter
from collections.abc import Mapping
from typing import Any, ClassVar

from django.core.management.base import BaseCommand, CommandError

from registry.isolation.scope import long_work, whole_house

USUAL_EXIT_CODES: Mapping[int, str] = {
    0: "done",
    1: "refused, and nothing was changed; the reason is on stderr",
    2: "the command line is wrong",
}
# Set for processes that nobody watches.
IN_BACKGROUND = "RIMWARD_IN_BACKGROUND"
logger = logging.getLogger(__name__)


class CommandWithExample(BaseCommand):
    """A command that shows one way of calling it, and says what its exit codes mean."""

    example: ClassVar[str]
    exit_codes: ClassVar[Mapping[int, str]] = USUAL_EXIT_CODES

    def create_parser(self, prog_name: str, subcommand: str, **options: Any) -> Any:
        options.setdefault("formatter_class", RawDescriptionHelpFormatter)
        options.setdefault("epilog", f"Example: manage.py {self.example}\n\n{self.exit_codes_said}")
        return super().create_parser(prog_name, subcommand, **options)

    def execute(self, *args: Any, **options: Any) -> Any:
        # Whoever runs a command has the database's own password: it works for every unit, and may take long.
        try:
            with whole_house(), long_work():
                return super().execute(*args, **options)
        except CommandError as refusal:
            if IN_BACKGROUND not in os.environ:
                raise
            logger.error("A command was refused.", exc_info=refusal)
            sys.exit(refusal.returncode)

    @property
    def exit_codes_said(self) -> str:
        """The exit codes in one sentence."""
        return f"Exit codes: {'; '.join(f'{code}: {words}' for code, words in self.exit_codes.items())}."


def add_act(acts: Any, name: str, words: str, example: str) -> ArgumentParser:
    """One of the commands that a command is made of, with an example of its own."""
    parser: ArgumentParser = acts.add_parser(
        name,
        help=words,
        description=words,
        epilog=f"Example: manage.py {example}",
        formatter_class=RawDescriptionHelpFormatter,
    )
    return parser
