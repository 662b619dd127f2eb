"""A unit's briefing on the record as it is, beside the bare SQL that it sends.

Read only: what is made is put into no archive. Each way runs in a process of its own, so that its peak memory
is its own, and after a first making, so that both find the same pages of the database at hand.
"""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.core.cache import caches
from django.db import connection
from django.db.models import Count
from django.utils import timezone

from outcomes.bench import bare
from outcomes.bench.apart import apart
from outcomes.bench.memory import MEBIBYTE, in_mebibytes
from outcomes.briefing.archive import composed
from outcomes.briefing.asked import Brief, last_whole_year
from outcomes.cache import RESULTS
from outcomes.cohort import Cohort
from outcomes.failure import REOPERATION
from registry.models import Repair, Unit, User
from registry.vocabulary import Role

# However many repairs there are.
MOST_QUERIES = 70
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Bench:
    """A briefing and its SQL alone: of so many rounds the fastest seconds and the highest peak of memory.

    `unit_repairs` of the `repairs` on record are the unit's; `statements` are the different ones that read
    rows, of `queries` in all.
    """

    repairs: int
    unit_repairs: int
    engine: str
    rounds: int
    briefing_seconds: float
    sql_seconds: float
    ratio: float
    queries: int
    statements: int
    briefing_peak_bytes: int
    sql_peak_bytes: int
    document_bytes: int


def run(rounds: int, say: Say) -> Bench:
    """Make the briefing of the unit of most repairs, over its last whole year, and ask its SQL alone.

    Raises
    ------
    ValueError
        There is no unit with an audit lead.
    """
    brief, lead = asked()
    say(f"A first briefing of {brief.unit}, to see what it asks.")
    sent: list[bare.Sent] = apart(lambda: sent_by(brief, lead)).found["sent"]
    queries = bare.reading(sent)
    ours, plain = [], []
    for number in range(rounds):
        say(f"Round {number + 1} of {rounds}: its SQL alone, and the briefing.")
        plain.append(apart(lambda: {"seconds": bare.seconds(queries)}))
        ours.append(apart(lambda: made(brief, lead)))
    briefing, sql = min(run.seconds for run in ours), min(run.found["seconds"] for run in plain)
    return Bench(
        repairs=Repair.objects.count(),
        unit_repairs=brief.repairs(Cohort(which="all")).count(),
        engine=connection.vendor,
        rounds=rounds,
        briefing_seconds=briefing,
        sql_seconds=sql,
        ratio=briefing / sql,
        queries=len(sent),
        statements=len(queries),
        briefing_peak_bytes=max(run.peak_bytes for run in ours),
        sql_peak_bytes=max(run.peak_bytes for run in plain),
        document_bytes=int(ours[0].found["bytes"]),
    )


def asked() -> tuple[Brief, User]:
    """The briefing as the command makes it when nothing is said: whose, of when, and for whom."""
    units = Unit.objects.annotate(repairs=Count("procedures__tears__repair")).order_by("-repairs", "code")
    unit = units.filter(memberships__role=Role.AUDIT_LEAD).first()
    lead = User.objects.filter(memberships__unit=unit, memberships__role=Role.AUDIT_LEAD).first()
    if unit is None or lead is None:
        raise ValueError("No unit has an audit lead: there is nobody to brief. Load a demo first.")
    today = timezone.localdate()
    since, until = last_whole_year(today)
    brief = Brief(unit=unit, definition=REOPERATION, closed_on=today, since=since, until=until)
    return brief, lead


def sent_by(brief: Brief, lead: User) -> dict[str, Any]:
    """Every statement that a briefing sends."""
    with bare.kept() as sent:
        made(brief, lead)
    return {"sent": sent}


def made(brief: Brief, lead: User) -> dict[str, int]:
    """Make it, nothing of it known before."""
    caches[RESULTS].clear()
    return {"bytes": len(gzip.decompress(composed(brief, lead).html_gzipped))}


def text(found: Bench) -> str:
    """The figures as plain text."""
    took, plain = (in_mebibytes(size) for size in (found.briefing_peak_bytes, found.sql_peak_bytes))
    return "\n".join(
        (
            f"{found.unit_repairs:,} repairs of the unit, of {found.repairs:,} on record ({found.engine})",
            f"briefing     {found.briefing_seconds:8.2f} s, peak memory {took}, document"
            f" {found.document_bytes / MEBIBYTE:,.1f} MiB",
            f"bare SQL     {found.sql_seconds:8.2f} s, peak memory {plain}  ({found.statements} statements of"
            f" {found.queries} queries)",
            f"ratio        {found.ratio:8.2f}",
        )
    )
