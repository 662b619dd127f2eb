"""The figures of a load as text: one alone and many side by side, page by page."""

from __future__ import annotations

from outcomes.bench.load import Bench, Phase, Times

HEAD = f"{'page':<22}{'asked':>7}{'errors':>8}{'p50':>8}{'p95':>8}{'p99':>8}"


def text(found: Bench) -> str:
    """Both parts, their pages in seconds, and what became of every acknowledged write."""
    return "\n".join(
        (
            f"{found.patients:,} patients ({found.engine}), served by {found.workers} processes of"
            f" {found.threads} threads; clients and database on the same machine; times in seconds",
            *_lines(found.one),
            *_lines(found.many),
        )
    )


def _lines(phase: Phase) -> list[str]:
    writes = phase.writes
    return [
        "",
        f"{phase.clients} at once for {phase.seconds:.0f} s: {phase.per_second:.1f} requests a second,"
        f" error rate {phase.error_rate:.2%}",
        HEAD,
        *(_line(page, times) for page, times in phase.pages.items()),
        _line("all", phase.all),
        f"visits acknowledged {writes.visits_acknowledged}, found {writes.visits_found}; corrections"
        f" acknowledged {writes.corrections_acknowledged}, found {writes.corrections_found},"
        f" versions added {writes.versions_added}; told that somebody was first: {writes.met}",
    ]


def _line(page: str, times: Times) -> str:
    return f"{page:<22}{times.asked:>7}{times.errors:>8}{times.p50:>8.2f}{times.p95:>8.2f}{times.p99:>8.2f}"
