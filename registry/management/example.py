"""A base for commands: every --help ends with an example and what the exit codes mean."""

from argparse import ArgumentParser, RawDescriptionHelpFormatter
from collections.abc import Mapping
from typing import Any, ClassVar

from django.core.management.base import BaseCommand

USUAL_EXIT_CODES: Mapping[int, str] = {
    0: "done",
    1: "refused, and nothing was changed; the reason is on stderr",
    2: "the command line is wrong",
}


class CommandWithExample(BaseCommand):
    """A command that shows one way of calling it, and says what its exit codes mean."""

    example: ClassVar[str]
    exit_codes: ClassVar[Mapping[int, str]] = USUAL_EXIT_CODES

    def create_parser(self, prog_name: str, subcommand: str, **options: Any) -> Any:
        options.setdefault("formatter_class", RawDescriptionHelpFormatter)
        options.setdefault("epilog", f"Example: manage.py {self.example}\n\n{self.exit_codes_said}")
        return super().create_parser(prog_name, subcommand, **options)

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
