"""Permissions withdrawn after a release: by pseudonym, never by identity; and the letter about them."""

from dataclasses import dataclass
from itertools import groupby
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST

from outcomes.models import LedgerEntry, LedgerKind
from outcomes.pages.releases.found import entry_for, release_for
from outcomes.release import store
from outcomes.release.withdrawals import Affected, affected, write_letter
from registry.access import Action, require
from registry.pages.unit import person_of


@dataclass(frozen=True, slots=True)
class OfRelease:
    """A release with everybody in it who has withdrawn since."""

    entry: LedgerEntry
    project: str
    people: list[Affected]
    cannot_tell: str

    @property
    def waits(self) -> int:
        """How many the recipient was not written to about."""
        return sum(not each.letter for each in self.people)


def withdrawn(request: HttpRequest) -> HttpResponse:
    """Every release that somebody has withdrawn from since."""
    units = require(request.user, Action.RELEASE)
    store.settle()
    found = groupby(affected(units), key=lambda each: each.entry)
    releases = [_of_release(entry, list(people)) for entry, people in found]
    return render(request, "outcomes/releases/withdrawn.html", {"releases": releases})


@require_POST
def make_letter(request: HttpRequest, release: UUID) -> HttpResponse:
    """Put the letter into the ledger and show it, ready to be printed."""
    units = require(request.user, Action.RELEASE)
    entry = release_for(request, release)
    try:
        written = write_letter(entry, units, person_of(request))
    except ValidationError as refusal:
        messages.error(request, " ".join(refusal.messages))
        return redirect("withdrawn_permissions")
    return redirect("release_letter", written.uuid)


def letter(request: HttpRequest, letter: UUID) -> HttpResponse:
    """A letter as the ledger holds it."""
    entry = entry_for(request, letter)
    if entry.kind != LedgerKind.LETTER or entry.of is None:
        raise Http404
    return render(
        request, "outcomes/releases/letter.html", {"entry": entry, "said": entry.said, "release": entry.of}
    )


def _of_release(entry: LedgerEntry, found: list[Affected]) -> OfRelease:
    people = [each for each in found if each.pseudonym]
    cannot_tell = " ".join(each.cannot_tell for each in found if each.cannot_tell)
    return OfRelease(entry, found[0].project, people, cannot_tell)
