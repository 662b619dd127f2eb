"""A base for commands: every --help ends with an example."""

from argparse import RawDescriptionHelpFormatter
from typing import Any, ClassVar

from django.core.management.base import BaseCommand


class CommandWithExample(BaseCommand):
    """A command that shows one way of calling it."""

    example: ClassVar[str]

    def create_parser(self, prog_name: str, subcommand: str, **options: Any) -> Any:
        options.setdefault("formatter_class", RawDescriptionHelpFormatter)
        options.setdefault("epilog", f"Example: manage.py {self.example}")
        return super().create_parser(prog_name, subcommand, **options)
