"""Time the project's way beside the plain way and hold both to the same answer."""

import json
from argparse import ArgumentParser
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from typing import Any

from django.core.management.base import CommandError

from outcomes.bench import (
    briefing,
    cache,
    estimators,
    follow_up,
    intake,
    isolation,
    load,
    pages,
    partitions,
    release,
)
from outcomes.bench.load.words import text as text_of_load
from outcomes.bench.memory import MEBIBYTE
from outcomes.bench.pages.words import text as text_of_pages
from outcomes.management.refusals import CommandThatRefusesPlainly
from outcomes.release.asked import USUAL_K

FEWEST = 100


class Command(CommandThatRefusesPlainly):
    help = (
        "estimators: time curves and tests from counts against lifelines and, where it is installed, R on "
        "the rows, and check that they agree. "
        "follow-up: time the Due page of an invented registry against its bare SQL. cache: time "
        "figures kept by data version against figures counted anew, with writes in between. release: time a "
        "whole release against its bare SQL and against writing the same rows with pandas alone. intake: the "
        "rehearsal of a made sheet against its bare SQL and reading it with pandas alone. load: "
        "many people at once on this database's demo against one alone; it records visits and corrects them. "
        "briefing: a unit's briefing on the record as it is against the bare SQL that it sends. "
        "pages: each page of a working day on this database's demo against plain SQL that answers the same. "
        "partitions: the released count table by DuckDB, Dask and Spark over a table parted by patient. "
        "isolation: the main count and a list of repairs with row-level security against the same without."
    )
    example = "bench estimators --rows 1000000 --json"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("bench", choices=BENCHES, help="what to time")
        parser.add_argument(
            "--rows", type=int, default=1_000_000, help="how many repairs to invent (1000000)"
        )
        parser.add_argument(
            "--patients", type=int, default=200_000, help="how many patients to invent (200000)"
        )
        parser.add_argument(
            "--repairs", type=int, default=5_000, help="how many repairs for cache and partitions (5000)"
        )
        parser.add_argument(
            "--released",
            type=int,
            default=100_000,
            help="how many repairs to invent for release, 0 for the record as it is (100000)",
        )
        parser.add_argument(
            "--brought", type=int, default=10_000, help="how many rows to make for intake (10000)"
        )
        parser.add_argument("--clients", type=int, default=50, help="how many people at once for load (50)")
        parser.add_argument("--partitions", type=int, default=16, help="how many parts for partitions (16)")
        parser.add_argument("--rounds", type=int, default=15, help="how often each way for isolation (15)")
        parser.add_argument("--times", type=int, default=2, help="how often each way for briefing (2)")
        parser.add_argument("--seconds", type=int, default=60, help="how long each part of load takes (60)")
        parser.add_argument(
            "--openings", type=int, default=3, help="how often each way for each of pages (3)"
        )
        parser.add_argument(
            "--only", nargs="+", choices=pages.CODES, default=(), metavar="CODE", help="pages to open (all)"
        )
        parser.add_argument(
            "--also", nargs="+", default=(), metavar="URL", help="further databases for pages (none)"
        )
        parser.add_argument(
            "--json", action="store_true", help="print the figures as JSON, progress on stderr"
        )

    def handle(self, **options: Any) -> None:
        bench = BENCHES[options["bench"]]
        size = options[bench.size]
        if size < bench.fewest:
            raise ValueError(f"--{bench.size} {size} is too few to compare: give {bench.fewest} or more.")
        progress = self.stderr if options["json"] else self.stdout
        also = {name: options[name] for name in bench.also}
        found = bench.run(size, lambda step: progress.write(step, lambda text: text), **also)
        self.stdout.write(json.dumps(asdict(found)) if options["json"] else bench.text(found))
        if not bench.holds(found):
            raise CommandError(f"bench: {bench.complaint}")


def _text_of_estimators(found: estimators.Bench) -> str:
    return "\n".join(
        (
            f"from counts  {found.from_counts_seconds:8.2f} s  ({found.counting_seconds:.2f} s counting,"
            f" {found.estimating_seconds:.2f} s estimating), peak memory"
            f" {found.peak_memory_from_counts_bytes / MEBIBYTE:,.0f} MiB",
            f"from rows    {found.from_rows_seconds:8.2f} s  (lifelines), peak memory"
            f" {found.peak_memory_bytes / MEBIBYTE:,.0f} MiB",
            f"ratio        {found.ratio:8.1f}",
            *_lines_of_r(found),
            f"{found.values_compared:,} values compared, largest relative difference"
            f" {found.largest_difference:.1e} (allowed {estimators.TOLERANCE:.0e})",
        )
    )


def _lines_of_r(found: estimators.Bench) -> Iterator[str]:
    if found.ratio_to_r is not None:
        yield f"from rows    {found.from_rows_in_r_seconds:8.2f} s  ({found.r_version})"
        yield f"ratio        {found.ratio_to_r:8.1f}  (aim: at least {estimators.LEAST_TIMES_R})"


def _text_of_follow_up(found: follow_up.Bench) -> str:
    return "\n".join(
        (
            f"{found.waiting:,} reviews of {found.patients:,} invented patients wait ({found.engine})",
            f"page         {found.page_seconds:8.3f} s  ({found.queries} queries)",
            f"bare SQL     {found.sql_seconds:8.3f} s",
            f"ratio        {found.ratio:8.2f}",
        )
    )


def _text_of_cache(found: cache.Bench) -> str:
    return "\n".join(
        (
            f"{found.reads} reads and {found.writes} writes of {found.repairs:,} invented repairs"
            f" ({found.engine})",
            f"kept         {found.kept_seconds:8.2f} s  ({found.hits} of {found.reads} reads answered from"
            f" what was kept: {found.hit_rate:.0%})",
            f"anew         {found.anew_seconds:8.2f} s",
            f"ratio        {found.ratio:8.2f}",
            f"version      {found.version_seconds * 1000:8.2f} ms to ask for",
        )
    )


@dataclass(frozen=True, slots=True)
class Kind:
    """One thing to time: how, the option that says how much, its words, and what it must hold."""

    run: Callable[..., Any]
    size: str
    text: Callable[[Any], str]
    holds: Callable[[Any], bool]
    complaint: str
    fewest: int = FEWEST
    # Further options that it takes, by name.
    also: tuple[str, ...] = ()


BENCHES = {
    "estimators": Kind(
        estimators.run,
        "rows",
        _text_of_estimators,
        lambda found: found.agree,
        "the two ways do not agree.",
    ),
    "follow-up": Kind(
        follow_up.run,
        "patients",
        _text_of_follow_up,
        lambda found: found.queries <= follow_up.MOST_QUERIES,
        f"Due asks more than {follow_up.MOST_QUERIES} queries.",
    ),
    "intake": Kind(
        intake.run,
        "brought",
        intake.text,
        lambda found: found.new_operations == found.rows and not found.problems,
        "not every row of the made sheet would be taken in.",
    ),
    "release": Kind(
        release.run,
        "released",
        release.text,
        lambda found: found.k >= USUAL_K,
        "the released rows are not hidden as asked.",
        fewest=release.AS_IT_IS,
    ),
    "briefing": Kind(
        briefing.run,
        "times",
        briefing.text,
        lambda found: found.queries <= briefing.MOST_QUERIES,
        f"a briefing asks more than {briefing.MOST_QUERIES} queries.",
        fewest=1,
    ),
    "load": Kind(
        load.run,
        "clients",
        text_of_load,
        lambda found: found.holds,
        "a page was not answered as it should be, or a write that was acknowledged is not on record.",
        fewest=1,
        also=("seconds",),
    ),
    "isolation": Kind(
        isolation.run,
        "rounds",
        isolation.text,
        lambda found: found.agree,
        "with policies the answers are others than without.",
        fewest=1,
    ),
    "pages": Kind(
        pages.run,
        "openings",
        text_of_pages,
        lambda found: found.agree,
        "the plain SQL tells other numbers than the pages.",
        fewest=1,
        also=("only", "also"),
    ),
    "partitions": Kind(
        partitions.run,
        "repairs",
        partitions.text,
        lambda found: found.agree,
        "the engines do not count the same.",
        also=("partitions",),
    ),
    "cache": Kind(
        cache.run,
        "repairs",
        _text_of_cache,
        lambda found: found.agree,
        "what was kept differs from what was counted anew.",
    ),
}
