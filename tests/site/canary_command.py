"""A command that breaks with a value in its hands, run as manage.py runs commands."""

import os
import sys
from argparse import ArgumentParser
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.site.canary_settings")

import django

django.setup()

from registry.management.example import CommandWithExample  # noqa: E402
from tests.site.canary_urls import breaks_uniqueness  # noqa: E402


class Command(CommandWithExample):
    help = "Break."
    example = "canary value"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("value")

    def handle(self, **options: Any) -> None:
        breaks_uniqueness(options["value"])


if __name__ == "__main__":
    Command().run_from_argv(["manage.py", "canary", *sys.argv[1:]])
