"""Add up the counts of several hospitals: joint survival and log-rank, without any patient's row."""

import json
from argparse import ArgumentParser
from collections.abc import Iterator
from dataclasses import asdict
from io import StringIO
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError
from rich.console import Console
from rich.table import Table

from outcomes import wording
from outcomes.estimators.comparison import LogRank
from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.release.counts.pooled import PooledCounts, PooledFormatError
from outcomes.release.counts.pooling import CannotPoolError, Joint, Level, pool
from outcomes.results import FEWEST_SHOWN
from registry.management.example import CommandWithExample

WIDTH = 120
WITHIN = "Compared within each hospital: "


class Command(CommandWithExample):
    help = "Add up files of counts that several hospitals made with 'counts pooled'."
    example = "pool A.json B.json C.json"
    requires_system_checks: list[str] = []  # noqa: RUF012 - as Django declares it
    # Reads files alone: it works wherever the program is, without a record.
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("files", nargs="+", type=Path, metavar="FILE", help="one file a hospital")
        parser.add_argument("--json", action="store_true", help="print every step as JSON at full precision")

    def handle(self, **options: Any) -> None:
        files = _read(options["files"])
        try:
            joint = pool(files)
        except CannotPoolError as refusal:
            raise CommandError(str(refusal)) from refusal
        if options["json"]:
            self.stdout.write(json.dumps(asdict(joint)))
            return
        self.stdout.write(_text(joint, next(iter(files.values()))))


def _read(paths: list[Path]) -> dict[str, PooledCounts]:
    """The files by name; by path where two names are alike."""
    names = [path.name for path in paths]
    read: dict[str, PooledCounts] = {}
    for path, name in zip(paths, names, strict=True):
        key = name if names.count(name) == 1 else str(path)
        if key in read:
            raise CommandError(f"{path} is given twice. Give each hospital's file once.")
        try:
            read[key] = PooledCounts.read(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError) as problem:
            raise CommandError(f"{path} cannot be read: {problem}. Give a file that is there.") from problem
        except PooledFormatError as problem:
            raise CommandError(f"{path}: {problem}") from problem
    return read


def _text(joint: Joint, one: PooledCounts) -> str:
    console = Console(file=StringIO(), highlight=False, width=WIDTH)
    with console.capture() as captured:
        told = ", ".join(f"{name} {n:,}" for name, n in joint.repairs.items())
        console.print(f"{joint.overall.curve.n:,} repairs of {len(joint.repairs)} hospitals: {told}.")
        console.print(f"Failure: {one.definition_sentence}", f"Bands of {one.band_days} days.", sep="\n")
        console.print(_table(joint, one), markup=False)
        console.print(_compared("", joint.test), _compared(WITHIN, joint.test_within), sep="\n")
        for name, levels in joint.left_out.items():
            console.print(f"{name} leaves out as too small: {', '.join(levels)}.", markup=False)
        for caution in joint.cautions:
            console.print(f"- {caution}", markup=False)
        console.print(joint.overall.curve.method, joint.overall.curve.reference, sep="\n", markup=False)
    return captured.get()


def _table(joint: Joint, one: PooledCounts) -> Table:
    years = [f"{wording.counted(year, 'year')} (at risk)" for year in LANDMARK_DAYS]
    drawn = Table(title="Still standing, all hospitals together, with 95 % interval", title_justify="left")
    heads = (one.stratum_title.capitalize(), "Repairs", "Failures", *years)
    for place, column in enumerate(heads):
        drawn.add_column(column, justify="right" if place else "left")
    for level in (*joint.levels, joint.overall):
        drawn.add_row(level.label, f"{level.curve.n:,}", f"{level.curve.events:,}", *_shares(level))
    return drawn


def _shares(level: Level) -> Iterator[str]:
    for point in level.curve.landmarks:
        few = level.curve.n < FEWEST_SHOWN
        yield wording.TOO_FEW if few else f"{wording.share_with_interval(point)} [{point.at_risk:,}]"


def _compared(how: str, test: LogRank | None) -> str:
    if test is None:
        return f"{how}nothing to test."
    return f"{how}log-rank {test.statistic:.3f} on {test.df} df, {wording.p_value(test.p)}."
