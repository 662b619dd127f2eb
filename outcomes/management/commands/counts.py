"""Release counts of a cohort: a two-way table with small counts hidden, or counts to be pooled."""

import json
from argparse import ArgumentParser, RawDescriptionHelpFormatter
from pathlib import Path
from typing import Any
from zipfile import ZipFile

from django.core.exceptions import PermissionDenied, ValidationError
from django.core.management.base import CommandError

from outcomes.failure import DEFINITIONS, REOPERATION
from outcomes.files import write_whole
from outcomes.models import LedgerEntry
from outcomes.release import store
from outcomes.release.asked import Asked
from outcomes.release.counts.asking import asked_for
from outcomes.release.counts.counts_package import POOLED_FILE, counts_table
from outcomes.release.counts.making import (
    Prepared,
    prepare_counts,
    prepare_pooled,
    release_counts,
    release_pooled,
)
from outcomes.release.counts.pooled import MOST_BAND_DAYS, USUAL_BAND_DAYS
from outcomes.release.counts.tables import COLUMN_SPLITS, OUTCOME, SPLITS
from outcomes.release.refusals import ReleaseRefusedError
from registry.management.example import CommandWithExample
from registry.models import User

STATED = {
    "project": "the project it is for",
    "purpose": "what it is for",
    "approval": "approval reference",
    "recipient": "who gets it",
    "steward": "the recipient's data steward, with an address",
}
_WHY = (
    "--project zones --purpose 'failure by zone' --approval REC-2026-014 --recipient 'Institute of invented "
    "studies' --steward steward@example.org"
)
TABLE_EXAMPLE = f"counts table --by coordinator --cohort 'Medial repairs' --rows zone {_WHY} --out counts.zip"
POOLED_EXAMPLE = f"counts pooled --by coordinator --cohort 'Medial repairs' --split zone {_WHY} --out A.json"


class Command(CommandWithExample):
    help = "Release counts for those who should not have rows: a table, or counts to be pooled."
    example = TABLE_EXAMPLE

    def add_arguments(self, parser: ArgumentParser) -> None:
        commands = parser.add_subparsers(dest="what", required=True, metavar="table|pooled")
        table = _sub(commands, "table", "a two-way table, small counts hidden", TABLE_EXAMPLE)
        table.add_argument("--rows", choices=SPLITS, required=True, help="how the rows are split")
        table.add_argument(
            "--columns", choices=COLUMN_SPLITS, default=OUTCOME, help="how the columns are split"
        )
        table.add_argument("--preview", action="store_true", help="show the table and release nothing")
        pooled = _sub(commands, "pooled", "counts by day that several hospitals add up", POOLED_EXAMPLE)
        pooled.add_argument("--split", choices=SPLITS, required=True, help="levels to compare")
        pooled.add_argument(
            "--band-days",
            type=int,
            default=USUAL_BAND_DAYS,
            metavar="DAYS",
            help=f"width of a band of days, 1 to {MOST_BAND_DAYS} (usually {USUAL_BAND_DAYS}), alike in all",
        )

    def handle(self, **options: Any) -> None:
        by = User.objects.filter(username=options["by"]).first()
        if by is None:
            raise CommandError(f"--by: no user named '{options['by']}'. Give a user name that exists.")
        try:
            asked = asked_for(
                by,
                options["cohort"],
                options["cohort_version"],
                options["failure"],
                {name: options[name] for name in STATED},
            )
            self._table(asked, by, options) if options["what"] == "table" else self._pooled(
                asked, by, options
            )
        except PermissionDenied as refusal:
            raise CommandError(f"--by: {by} may not release from these units.") from refusal
        except ValidationError as problem:
            raise CommandError(_told(problem)) from problem
        except ReleaseRefusedError as refusal:
            raise CommandError(str(refusal)) from refusal

    def _table(self, asked: Asked, by: User, options: dict[str, Any]) -> None:
        prepared = prepare_counts(asked, options["rows"], options["columns"], by)
        if options["preview"]:
            self.stdout.write(_as_text(prepared))
            return
        entry = release_counts(prepared, by)
        write_whole(options["out"], _package(entry).read_bytes())
        self._say(entry, options, f"{prepared.frozen.total} repairs, {entry.said['hidden']} counts hidden")

    def _pooled(self, asked: Asked, by: User, options: dict[str, Any]) -> None:
        prepared = prepare_pooled(asked, options["split"], options["band_days"], by)
        entry = release_pooled(prepared, by)
        with ZipFile(_package(entry)) as package:
            write_whole(options["out"], package.read(POOLED_FILE))
        left_out = prepared.counts.left_out.levels
        out = f"; left out as too small: {', '.join(left_out)}" if left_out else ""
        self._say(entry, options, f"{prepared.counts.n} repairs{out}")

    def _say(self, entry: LedgerEntry, options: dict[str, Any], words: str) -> None:
        said = {"release": str(entry.uuid), "out": str(options["out"]), **entry.said}
        text = f"{options['out']}  ({words}; ledger entry {entry.number})"
        self.stdout.write(json.dumps(said) if options["json"] else text)


def _sub(commands: Any, name: str, words: str, example: str) -> ArgumentParser:
    """A part of the command with what every release has to state."""
    parser: ArgumentParser = commands.add_parser(
        name,
        help=words,
        description=f"Release {words}.",
        formatter_class=RawDescriptionHelpFormatter,
        epilog=f"Example: manage.py {example}",
    )
    parser.add_argument("--by", required=True, metavar="USER", help="who releases")
    parser.add_argument("--cohort", required=True, metavar="NAME", help="a named cohort")
    parser.add_argument("--cohort-version", type=int, metavar="N", help="an older version of it")
    own = "or own-NUMBER for a unit's own"
    parser.add_argument("--failure", default=REOPERATION.code, help=f"{', '.join(DEFINITIONS)}, {own}")
    for stated, meaning in STATED.items():
        parser.add_argument(f"--{stated}", required=True, help=meaning)
    parser.add_argument("--out", type=Path, required=True, help="file to write")
    parser.add_argument("--json", action="store_true", help="print the ledger entry as JSON")
    return parser


def _package(entry: LedgerEntry) -> Path:
    path = store.package_of(entry)
    if path is None:
        raise CommandError(f"The package of ledger entry {entry.number} is not in the store.")
    return path


def _as_text(prepared: Prepared) -> str:
    table = counts_table(prepared.frozen)
    lines = [table["columns"], *table["rows"]]
    widths = [max(len(line[place]) for line in lines) for place in range(len(lines[0]))]
    body = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) for line in lines]
    return "\n".join([table["caption"], *body])


def _told(problem: ValidationError) -> str:
    if hasattr(problem, "error_dict"):
        return "; ".join(f"{name}: {' '.join(words)}" for name, words in problem.message_dict.items())
    return "; ".join(problem.messages)
