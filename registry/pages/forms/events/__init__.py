"""Forms of what happens to a knee after its operation, and the table of kinds that the pages go by."""

from dataclasses import dataclass

from registry.models import EndOfFollowUp, Knee
from registry.pages.forms.events.base import EventForm, FindingForm, Posted
from registry.pages.forms.events.clinic import ComplicationForm, ContactForm, ScoreForm, VisitForm
from registry.pages.forms.events.looks import (
    ImagingFindingForm,
    ImagingForm,
    SecondLookFindingForm,
    SecondLookForm,
)
from registry.pages.forms.events.patient import (
    DeathForm,
    EndOfFollowUpForm,
    OfPatientForm,
    ResearchPermissionForm,
)
from registry.pages.forms.events.reoperation import ReoperationForm, ReoperationOnTearForm
from registry.scoring.lysholm import LYSHOLM

__all__ = ["KINDS", "EventForm", "EventKind", "FindingForm", "OfPatientForm", "Posted", "open_kinds"]


@dataclass(frozen=True, slots=True)
class EventKind:
    """One kind of event: its word in addresses, its name on screen, and its forms."""

    slug: str
    name: str
    form: type[EventForm]
    finding: type[FindingForm] | None = None


KINDS: dict[str, EventKind] = {
    kind.slug: kind
    for kind in (
        EventKind("visit", "Visit", VisitForm),
        EventKind("score", LYSHOLM.name, ScoreForm),
        EventKind("second-look", "Second look", SecondLookForm, SecondLookFindingForm),
        EventKind("imaging", "Imaging", ImagingForm, ImagingFindingForm),
        EventKind("reoperation", "Reoperation", ReoperationForm, ReoperationOnTearForm),
        EventKind("complication", "Complication", ComplicationForm),
        EventKind("contact", "Contact", ContactForm),
        EventKind("research-permission", "Research permission", ResearchPermissionForm),
        EventKind("end-of-follow-up", "End of follow-up", EndOfFollowUpForm),
        EventKind("death", "Death", DeathForm),
    )
}


def open_kinds(knee: Knee, end: EndOfFollowUp | None) -> dict[str, EventKind]:
    """What can still be recorded, by slug: follow-up ends once, and so does a life."""
    over = {"end-of-follow-up": bool(end), "death": bool(knee.patient.died_on)}
    return {slug: kind for slug, kind in KINDS.items() if not over.get(slug)}
