"""Write the audit meeting's document to disk."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone

from outcomes.briefing.document import briefing_html
from outcomes.cohort import Cohort, UnknownFilterError
from outcomes.failure import DEFINITIONS, REOPERATION
from outcomes.files import write_whole
from registry.management.example import CommandWithExample
from registry.models import Unit


class Command(CommandWithExample):
    help = "Write an audit briefing: one self-contained HTML file for the department's meeting."
    example = "briefing --unit northmere --out briefings"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--unit", default="", help="code of one unit; all units when left out")
        parser.add_argument("--failure", choices=DEFINITIONS, default=REOPERATION.code)
        parser.add_argument("--out", type=Path, required=True, help="folder to write to")

    def handle(self, **options: Any) -> str:
        units = Unit.objects.all()
        try:
            cohort = Cohort.from_query({"unit": options["unit"]}, units)
            html = briefing_html(cohort, units, DEFINITIONS[options["failure"]])
        except (UnknownFilterError, ValueError) as problem:
            raise CommandError(str(problem)) from problem
        path: Path = options["out"] / f"briefing-{options['unit'] or 'all'}-{timezone.localdate()}.html"
        write_whole(path, html.encode())
        return str(path)
