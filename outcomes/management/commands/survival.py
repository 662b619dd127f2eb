"""Print a cohort's survival, split by zone, acuity and ligament surgery or otherwise, to the terminal."""

import json
from argparse import ArgumentParser
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from io import StringIO
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone
from rich.console import Console
from rich.table import Table

from outcomes import wording
from outcomes.charts.survival import comparison_sentence, landmark_share
from outcomes.cohort import DAYS, Cohort, UnknownFilterError
from outcomes.definitions import definition_asked
from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.failure import DEFINITIONS, REOPERATION
from outcomes.results import Group, SurvivalResult
from outcomes.strata import MAIN_STRATA, STRATA
from outcomes.survival import survival_results
from registry.management.example import CommandWithExample
from registry.models import Unit

# Room for the columns, whatever the terminal claims to be.
WIDTH = 150


class Command(CommandWithExample):
    help = (
        "Print how long repairs last: survival at 1, 2 and 5 years, split by zone, acuity and ligament "
        "surgery unless told otherwise."
    )
    example = "survival --meniscus medial --since 2020-01-01 --failure any --split technique"

    def add_arguments(self, parser: ArgumentParser) -> None:
        own = "or own-NUMBER for a unit's own"
        parser.add_argument(
            "--failure", default=REOPERATION.code, metavar="CODE", help=f"{', '.join(DEFINITIONS)}, {own}"
        )
        parser.add_argument("--split", choices=STRATA, help="split by this alone")
        for name, label in DAYS.items():
            parser.add_argument(f"--{name}", default="", metavar="YYYY-MM-DD", help=label.lower())
        for name, choices in Cohort.choices(Unit.objects.none()).items():
            known = None if name == "unit" else list(filter(None, choices))
            parser.add_argument(f"--{name}", choices=known, default="", help=f"only this {name}")
        parser.add_argument("--json", action="store_true", help="print every step as JSON at full precision")

    def handle(self, **options: Any) -> None:
        units = Unit.objects.all()
        try:
            cohort, definition = Cohort.from_query(options, units), definition_asked(options, units)
        except UnknownFilterError as problem:
            raise CommandError(str(problem)) from problem
        strata = [STRATA[options["split"]]] if options["split"] else MAIN_STRATA.values()
        results = survival_results(cohort, units, definition, timezone.localdate(), strata)
        if options["json"]:
            self.stdout.write(json.dumps([asdict(result) for result in results], default=str))
            return
        if not results:
            raise CommandError("No repair in this cohort, or all were entered later from old notes.")
        self.stdout.write(_text(results))


def _text(results: Sequence[SurvivalResult]) -> str:
    console = Console(file=StringIO(), highlight=False, width=WIDTH)
    with console.capture() as captured:
        console.print(results[0].cohort_sentence, results[0].definition_sentence, sep="\n", end="\n\n")
        for result in results:
            console.print(_rich_table(result), markup=False)
            console.print(comparison_sentence(result), end="\n\n")
    return captured.get()


def _rich_table(result: SurvivalResult) -> Table:
    years = [f"{wording.counted(year, 'year')} (at risk)" for year in LANDMARK_DAYS]
    drawn = Table(title=f"{result.title}, with 95 % interval", title_justify="left", title_style="bold")
    for place, column in enumerate((result.stratum_title.capitalize(), "Repairs", "Failures", *years)):
        drawn.add_column(column, justify="right" if place else "left")
    for group in (*result.groups, result.overall):
        drawn.add_row(group.label, f"{group.curve.n:,}", f"{group.curve.events:,}", *_landmarks(group))
    return drawn


def _landmarks(group: Group) -> Iterator[str]:
    for point in group.curve.landmarks:
        yield f"{landmark_share(group, point)} [{point.at_risk:,}]"
