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
from registry.models import Knee, Tear
from registry.pages.forms.base import Spoken, problems_of
from registry.pages.forms.events import KINDS, EventForm, EventKind, FindingForm, Posted
from registry.pages.forms.saving import Entry, save


@cache_control(no_store=True)
def record_event(request: HttpRequest, knee: UUID, kind: str) -> HttpResponse:
    """The empty page, the page with what is to be mended, or back to the Knee story."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    if kind not in KINDS:
        raise Http404
    posted = request.POST if request.method == "POST" else None
    entry = EventEntry.of(KINDS[kind], found, posted)
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
        return self.recorded is None or self._joins(self.recorded)

    def _joins(self, recorded: Model) -> bool:
        for name in self.event.differences(recorded):
            self.event.add_error(
                name, f"The {recorded} is recorded otherwise. Choose the same, or correct the date."
            )
        if not self.said:
            self.event.add_error(
                None, f"The {recorded} is already recorded. Correct the date, or leave this entry."
            )
        for finding in self.said:
            finding.concerns(recorded)
        return self.event.is_valid()

    def entries(self) -> list[Entry]:
        """Form and row, the event before its findings."""
        event: list[Entry] = [] if self.recorded else [(self.event, self.event.instance)]
        return [*event, *[(finding, finding.instance) for finding in self.said]]


def tears_of(knee: Knee) -> list[Tear]:
    """Every tear of a knee with its operation and repair, in the order that numbers them on every page."""
    tears = Tear.objects.filter(procedure__knee=knee).select_related("procedure", "repair")
    return list(tears.order_by("procedure__operated_on", "pk"))
