"""A base for commands that machines call too: every refusal is one sentence on stderr and exit code 2."""

import sys
from collections.abc import Mapping
from typing import Any, ClassVar

from django.core.management.base import CommandError

from registry.management.example import CommandWithExample


class CommandThatRefusesPlainly(CommandWithExample):
    """A command that needs no database and says in one line what it cannot do."""

    exit_codes: ClassVar[Mapping[int, str]] = {0: "done", 2: "refused, in one sentence on stderr"}
    requires_system_checks = []  # noqa: RUF012 - Django asks for a list here

    def create_parser(self, prog_name: str, subcommand: str, **options: Any) -> Any:
        parser = super().create_parser(prog_name, subcommand, **options)
        # From the command line Django's parser would print its whole usage before the error.
        parser.called_from_command_line = False
        return parser

    def run_from_argv(self, argv: list[str]) -> None:
        try:
            super().run_from_argv(argv)
        except (CommandError, ValueError) as refusal:
            if "--traceback" in argv:
                raise
            self.stderr.write(" ".join(str(refusal).split()))
            sys.exit(2)
