"""Forms of what happens to a knee after its operation, and the table of kinds that the pages go by."""

from dataclasses import dataclass

from registry.models import EndOfFollowUp, Entry, Knee, ScoreResponse
from registry.pages.forms.events.base import EventForm, FindingForm, Posted
from registry.pages.forms.events.clinic import ComplicationForm, ContactForm, VisitForm
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
from registry.pages.forms.events.scores import score_form
from registry.scoring import INSTRUMENTS

__all__ = [
    "KINDS", "EventForm", "EventKind", "FindingForm", "OfPatientForm", "Posted", "Recordable",
    "kind_of", "open_kinds", "score_kind",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Recordable:
    """Something that can be recorded of a knee: its word in addresses and its name on screen."""

    slug: str
    name: str


@dataclass(frozen=True, slots=True)
class EventKind(Recordable):
    """One kind of event, with its forms."""

    form: type[EventForm]
    finding: type[FindingForm] | None = None


# The list of forms, from which one is chosen: thirteen of them would drown the rest.
SCORES = Recordable("score", "Score")
_OTHERS = (
    EventKind("visit", "Visit", VisitForm),
    EventKind("second-look", "Second look", SecondLookForm, SecondLookFindingForm),
    EventKind("imaging", "Imaging", ImagingForm, ImagingFindingForm),
    EventKind("reoperation", "Reoperation", ReoperationForm, ReoperationOnTearForm),
    EventKind("complication", "Complication", ComplicationForm),
    EventKind("contact", "Contact", ContactForm),
    EventKind("research-permission", "Research permission", ResearchPermissionForm),
    EventKind("end-of-follow-up", "End of follow-up", EndOfFollowUpForm),
    EventKind("death", "Death", DeathForm),
)
_SCORES = {
    code: EventKind(f"score-{code}", each.name, score_form(each)) for code, each in INSTRUMENTS.items()
}
KINDS: dict[str, EventKind] = {kind.slug: kind for kind in (*_OTHERS, *_SCORES.values())}
_BY_MODEL = {kind.form._meta.model: kind for kind in _OTHERS}


def score_kind(instrument: str) -> EventKind:
    """The kind of event that answering an instrument is, by its code."""
    return _SCORES[instrument]


def kind_of(event: Entry) -> EventKind:
    """The kind of an event on record."""
    return score_kind(event.instrument) if isinstance(event, ScoreResponse) else _BY_MODEL[type(event)]


def open_kinds(knee: Knee, end: EndOfFollowUp | None) -> dict[str, Recordable]:
    """What can still be recorded, by slug, the scores as one; follow-up ends once, and so does a life."""
    over = {"end-of-follow-up": bool(end), "death": bool(knee.patient.died_on)}
    visit, *others = _OTHERS
    return {each.slug: each for each in (visit, SCORES, *others) if not over.get(each.slug)}
