"""Releases: what has left the house, what is in hand, and whether the ledger still proves itself."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from outcomes.models import LedgerEntry, LedgerKind
from outcomes.pages.releases.cautions import CAUTIONS
from outcomes.pages.releases.found import LATER_WORDS, jobs_in_hand
from outcomes.release import ledger, store
from registry.access import Action, require
from registry.models import Unit

RELEASED, RECALLED, MISSING, NOT_KEPT = "Released", "Recalled", "Package missing", "Package not kept"


@dataclass(frozen=True, slots=True)
class Line:
    """One release as the ledger lists it."""

    entry: LedgerEntry
    project: str
    purpose: str
    recipient: str
    released: int | None
    k: int | None
    sha256: str
    state: str
    letters: int


def releases(request: HttpRequest) -> HttpResponse:
    """The ledger of one's units; with ?verify=yes it is worked through from its first entry on."""
    units = require(request.user, Action.RELEASE)
    store.settle()
    context = {
        "lines": list(lines_of(units)),
        "jobs": jobs_in_hand(units),
        "verified": ledger.verify() if request.GET.get("verify") else None,
        "cautions": CAUTIONS,
    }
    return render(request, "outcomes/releases/ledger.html", context)


def lines_of(units: QuerySet[Unit]) -> Iterator[Line]:
    """The releases of these units, newest first, each with what was said of it later."""
    entries = list(ledger.for_units(units))
    later = [entry for entry in entries if entry.kind in LATER_WORDS]
    recalled = {entry.of_id for entry in later if entry.kind == LedgerKind.RECALL}
    for entry in entries:
        if entry.kind not in LATER_WORDS:
            yield _line(entry, entry.pk in recalled, later)


def _line(entry: LedgerEntry, is_recalled: bool, later: Iterable[LedgerEntry]) -> Line:
    said = entry.said
    # What was released before the ledger was chained states its purpose without a request round it.
    asked, rows = said.get("asked", said), said.get("rows", {})
    letters = [each for each in later if each.kind == LedgerKind.LETTER and each.of_id == entry.pk]
    return Line(
        entry=entry,
        project=asked.get("project", ""),
        purpose=asked.get("purpose", ""),
        recipient=asked.get("recipient", ""),
        released=rows.get("released"),
        k=said.get("patients", said.get("smallest_class")),
        sha256=said["sha256"],
        state=RECALLED if is_recalled else _state(entry),
        letters=len(letters),
    )


def _state(entry: LedgerEntry) -> str:
    """Whether the package of a release that was not recalled can be handed out."""
    if not entry.said.get("kept"):
        return NOT_KEPT
    return RELEASED if store.package_of(entry) else MISSING
