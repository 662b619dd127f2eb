"""The figures of all pages as plain text."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from outcomes.bench.memory import MEBIBYTE
from outcomes.bench.pages import Bench, Times


def text(found: Bench) -> str:
    """A table for each database, then how far each page grew from one to the next."""
    sizes = (found, *found.also)
    tables = ("\n".join(_table(each)) for each in sizes)
    grown = ("\n".join(_grown(one, other)) for one, other in pairwise(sizes))
    return "\n\n".join((*tables, *grown))


def _table(found: Bench) -> Iterator[str]:
    yield f"{found.repairs:,} repairs ({found.engine}); median seconds; after: since the longest query ended"
    yield (
        f"{'page':<11} {'opened by':<11} {'anew':>8} {'after':>8} {'kept':>8} {'SQL':>8}"
        f" {'anew/SQL':>9} {'kept/SQL':>9}"
        f" {'peak MiB':>9} {'queries':>8} {'answer kB':>10}  aims"
    )
    for page in found.pages:
        aims = "; ".join(f"{aim.what}: {'pass' if aim.met else 'FAIL'}" for aim in page.aims)
        yield (
            f"{page.name:<11} {page.role:<11} {page.seconds:8.3f} {page.after_seconds:8.3f}"
            f" {page.kept_seconds:8.3f} {page.sql_seconds:8.3f} {page.ratio:9.2f} {page.kept_ratio:9.2f}"
            f" {page.peak_bytes / MEBIBYTE:9,.0f} {page.queries:8} {page.answer_bytes / 1000:10,.0f}  {aims}"
            f"{'' if page.agrees else '; SQL tells other numbers'}"
        )


def _grown(one: Bench, other: Bench) -> Iterator[str]:
    yield (
        f"from {one.repairs:,} repairs ({one.engine}) to {other.repairs:,} ({other.engine}):"
        f" x {_times(one.repairs, other.repairs)}"
    )
    after = {page.code: page for page in other.pages}
    for page in one.pages:
        yield f"{page.name:<11} {_page_grown(page, after[page.code])}"


def _page_grown(one: Times, other: Times) -> str:
    """By how much; of Survival the count, and all that follows its answer, each for itself."""
    said = (
        f"anew x {_times(one.seconds, other.seconds)}, kept x {_times(one.kept_seconds, other.kept_seconds)},"
        f" SQL x {_times(one.sql_seconds, other.sql_seconds)}"
    )
    if one.code != "survival":
        return said
    rest = _times(one.after_seconds, other.after_seconds)
    return f"{said}; counting is that SQL, everything after it x {rest}"


def _times(one: float, other: float) -> str:
    return f"{other / one:.1f}"
