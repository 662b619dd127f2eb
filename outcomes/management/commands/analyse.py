"""Analyse any CSV file with the estimators of the pages; no database is asked."""

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from outcomes.analysis.methods import METHODS, analyse
from outcomes.analysis.options import OPTIONS, Asked, flag
from outcomes.analysis.reading import read
from outcomes.analysis.tables import text_of
from outcomes.management.refusals import CommandThatRefusesPlainly


class Command(CommandThatRefusesPlainly):
    help = "Analyse any CSV file: the table's own columns, the estimators of the pages, no database."
    example = """\
analyse repairs.csv --method kaplan-meier --duration days --event failed --group zone --at 365,730
         manage.py analyse repairs.csv --method log-rank --duration days --event failed --group zone
         manage.py analyse repairs.csv --method cox --duration days --event failed --covariates zone,age \\
             --reference zone=red-red --cluster patient --json"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.description = f"{self.help} An empty cell or NA is a missing value.\n\n{_methods()}"
        parser.add_argument(
            "file", type=Path, metavar="FILE.csv", help="comma-separated, in UTF-8, header in row 1"
        )
        parser.add_argument(
            "--method", required=True, choices=METHODS, metavar="METHOD", help="one of those above"
        )
        for name, option in OPTIONS.items():
            action = "append" if name == "reference" else "store"
            parser.add_argument(flag(name), action=action, metavar=option.shows, help=option.help)
        parser.add_argument("--json", action="store_true", help="print every value as JSON at full precision")

    def handle(self, **options: Any) -> None:
        answer = analyse(read(options["file"]), options["method"], Asked.read(options))
        if options["json"]:
            self.stdout.write(json.dumps(answer.values, allow_nan=False))
        else:
            self.stdout.write(text_of(options["method"], answer))


def _methods() -> str:
    """Each method with what it answers and its options, those it needs first."""
    lines = ["methods, with the options they need [and take]:"]
    for name, method in METHODS.items():
        takes = " ".join(map(flag, method.takes))
        lines += [f"  {name}: {method.answers}", f"      {' '.join(map(flag, method.needs))} [{takes}]"]
    return "\n".join(lines)
