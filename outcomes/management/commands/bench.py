"""Time the project's way beside the plain way and hold both to the same answer."""

import json
from argparse import ArgumentParser
from dataclasses import asdict
from typing import Any

from django.core.management.base import CommandError

from outcomes.bench import estimators
from outcomes.management.refusals import CommandThatRefusesPlainly

BENCHES = {"estimators": estimators.run}
FEWEST_ROWS = 100


class Command(CommandThatRefusesPlainly):
    help = "Time curves and tests from counts against lifelines on the rows, and check that they agree."
    example = "bench estimators --rows 1000000 --json"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("bench", choices=BENCHES, help="what to time")
        parser.add_argument(
            "--rows", type=int, default=1_000_000, help="how many repairs to invent (1000000)"
        )
        parser.add_argument(
            "--json", action="store_true", help="print the figures as JSON, progress on stderr"
        )

    def handle(self, **options: Any) -> None:
        if options["rows"] < FEWEST_ROWS:
            raise ValueError(f"--rows {options['rows']} is too few to compare: give {FEWEST_ROWS} or more.")
        progress = self.stderr if options["json"] else self.stdout
        found = BENCHES[options["bench"]](
            options["rows"], lambda step: progress.write(step, lambda text: text)
        )
        self.stdout.write(json.dumps(asdict(found)) if options["json"] else _text(found))
        if not found.agree:
            raise CommandError("bench: the two ways do not agree.")


def _text(found: estimators.Bench) -> str:
    mebibyte = 2**20
    return "\n".join(
        (
            f"from counts  {found.from_counts_seconds:8.2f} s  ({found.counting_seconds:.2f} s counting,"
            f" {found.estimating_seconds:.2f} s estimating), peak memory"
            f" {found.peak_memory_from_counts_bytes / mebibyte:,.0f} MiB",
            f"from rows    {found.from_rows_seconds:8.2f} s  (lifelines), peak memory"
            f" {found.peak_memory_bytes / mebibyte:,.0f} MiB",
            f"ratio        {found.ratio:8.1f}",
            f"{found.values_compared:,} values compared, largest relative difference"
            f" {found.largest_difference:.1e} (allowed {estimators.TOLERANCE:.0e})",
        )
    )
