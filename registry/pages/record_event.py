"""Record what happened to a knee: one page for every kind of event, saved whole or not at all."""

from dataclasses import dataclass
from typing import Self
from uuid import UUID

from django.contrib import messages
from django.db.models import Model
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import cache_control

from registry.access import Action, knee_for
from registry.models import EndOfFollowUp, Knee
from registry.pages.forms.base import Spoken, problems_of
from registry.pages.forms.events import EventForm, EventKind, FindingForm, Posted, open_kinds
from registry.pages.forms.saving import Entry, save
from registry.pages.tears import tears_of
from registry.pages.wording import facts

ANOTHER_DAY = "If this was another one, enter its own date."


@cache_control(no_store=True)
def record_event(request: HttpRequest, knee: UUID, kind: str) -> HttpResponse:
    """The empty page, the page with what is to be mended, or back to the Knee story."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    end = EndOfFollowUp.objects.filter(patient=found.patient).first()
    still_open = open_kinds(found, end).get(kind)
    if still_open is None:
        raise Http404
    posted = request.POST if request.method == "POST" else None
    entry = EventEntry.of(still_open, found, posted)
    if posted is not None and entry.is_valid() and save(entry.entries()):
        messages.success(request, f"{entry.kind.name} recorded.")
        return redirect("knee_story", found.uuid)
    problems = problems_of(entry.forms) if posted is not None else []
    context = {"entry": entry, "knee": found, "problems": problems}
    return render(request, "registry/record_event.html", context, status=422 if problems else 200)


@dataclass
class EventEntry:
    """An event on the page, with what it says of each tear of the knee.

    An event already on record takes up findings of further tears: a look entered in two goes stays one look.
    """

    kind: EventKind
    event: EventForm
    findings: list[FindingForm]
    recorded: Model | None = None

    @classmethod
    def of(cls, kind: EventKind, knee: Knee, posted: Posted) -> Self:
        event = kind.form.about(knee, posted)
        event.title = kind.name
        if kind.finding is None:
            return cls(kind, event, [])
        tears = enumerate(tears_of(knee), start=1)
        return cls(
            kind, event, [kind.finding.of(number, tear, event.instance, posted) for number, tear in tears]
        )

    @property
    def forms(self) -> list[Spoken]:
        return [self.event, *self.findings]

    @property
    def said(self) -> list[FindingForm]:
        """The findings filled in."""
        return [finding for finding in self.findings if finding.has_changed()]

    def is_valid(self) -> bool:
        # The event goes first: a finding is checked against its date.
        if not all([form.is_valid() for form in self.forms]):
            return False
        self.recorded = self.event.recorded_before()
        return self._stands_alone() if self.recorded is None else self._joins(self.recorded)

    def _stands_alone(self) -> bool:
        if words := self.event.nothing_told(self.said):
            self.event.add_error(None, words)
        return self.event.is_valid()

    def _joins(self, recorded: Model) -> bool:
        if not self.said:
            self.event.add_error(
                None, f"The {recorded} is already on record and cannot be changed here. {ANOTHER_DAY}"
            )
            return False
        for name in self.event.differences(recorded):
            self.event.add_error(
                name,
                f"The {recorded} is on record with: {_known(recorded, name)}. Choose that to add to it; what "
                f"is on record cannot be changed here. {ANOTHER_DAY}",
            )
        for finding in self.said:
            finding.concerns(recorded)
        return self.event.is_valid()

    def entries(self) -> list[Entry]:
        """Form and row, the event before its findings."""
        event: list[Entry] = [] if self.recorded else [(self.event, self.event.instance)]
        return [*event, *[(finding, finding.instance) for finding in self.said]]


def _known(recorded: Model, name: str) -> str:
    """A field of a recorded event as a page shows it."""
    return next((text for _, text in facts(recorded, name)), "nothing entered")
