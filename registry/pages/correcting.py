"""How a page that corrects an entry is answered: saved, unchanged, to be mended, or changed meanwhile."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum, auto
from typing import Any, Generic, Protocol, TypeVar

from django.contrib import messages
from django.http import HttpRequest, QueryDict

from registry.models import Kept, User
from registry.pages.corrections import Conflict, ReasonForm, with_theirs
from registry.pages.drafts import draft_of, drop, fill
from registry.pages.forms.base import Problem, Spoken, problems_of
from registry.pages.forms.saving import Entry, attempt
from registry.recording import Act, ChangedMeanwhile, latest_correction

NOTHING_CHANGED = "Nothing was changed: it is on record like this."


class CorrectionPage(Protocol):
    """The forms of an entry on record."""

    @property
    def forms(self) -> list[Spoken]: ...

    @property
    def has_changed(self) -> bool: ...

    def is_valid(self) -> bool: ...

    def entries(self) -> list[Entry]:
        """Form and row, the entry itself first."""

    def correct(self, act: Act, seen: int) -> None:
        """Write what changed, all or nothing."""


class Outcome(Enum):
    OPENED = auto()
    SAVED = auto()
    UNCHANGED = auto()
    TO_MEND = auto()
    CHANGED_MEANWHILE = auto()


Page = TypeVar("Page", bound=CorrectionPage)


@dataclass(frozen=True, slots=True)
class Answer(Generic[Page]):
    """What to show: the page with its reason, and what is to be mended or what somebody else changed."""

    outcome: Outcome
    page: Page
    reason: ReasonForm
    problems: list[Problem] = field(default_factory=list)
    conflict: Conflict | None = None
    restored: bool = False

    @property
    def status(self) -> int:
        return {Outcome.TO_MEND: 422, Outcome.CHANGED_MEANWHILE: 409}.get(self.outcome, 200)


Build = Callable[[Mapping[str, Any] | None], Page]


def answer(
    request: HttpRequest,
    user: User,
    entry: Kept,
    build: Build[Page],
    derived: str = "",
    along: Sequence[Kept] = (),
) -> Answer[Page]:
    """Open a page of corrections, from its draft if there is one, or take what was sent.

    Parameters
    ----------
    entry
        What is corrected.
    build
        Makes the page from what was posted (None: as it is on record), from rows read anew each time.
    derived
        The reason, where it need not be asked.
    along
        Further entries that the page corrects with it.
    """

    def why(posted: Mapping[str, Any] | None = None) -> ReasonForm:
        form = ReasonForm(entry, posted, derived)
        form.initial["seen"] = max(latest_correction(each) for each in (entry, *along))
        return form

    if request.method != "POST":
        opened = Answer(Outcome.OPENED, build(None), why())
        return _filled(opened, draft_of(user, request.path))
    page, reason = build(request.POST), why(request.POST)
    if page.is_valid() and not page.has_changed:
        return Answer(Outcome.UNCHANGED, page, reason)
    sound = [page.is_valid(), reason.is_valid()]
    try:
        if all(sound) and attempt(lambda: page.correct(reason.act(user), reason.mark), page.entries()):
            return Answer(Outcome.SAVED, page, reason)
    except ChangedMeanwhile as met:
        typed = with_theirs(request.POST, build(request.POST).forms, met)
        page, reason = build(typed), why(typed)
        return Answer(Outcome.CHANGED_MEANWHILE, page, reason, conflict=Conflict.of(met, page.forms, user))
    return Answer(Outcome.TO_MEND, page, reason, problems_of([*page.forms, reason]))


def is_done(request: HttpRequest, user: User, given: Answer[Any], said: str) -> bool:
    """Whether the page is done with: says so, and lets its draft go."""
    if given.outcome not in (Outcome.SAVED, Outcome.UNCHANGED):
        return False
    drop(user, request.path)
    saved = given.outcome is Outcome.SAVED
    messages.add_message(
        request, messages.SUCCESS if saved else messages.INFO, said if saved else NOTHING_CHANGED
    )
    return True


def _filled(opened: Answer[Page], draft: QueryDict | None) -> Answer[Page]:
    if draft is None:
        return opened
    fill([*opened.page.forms, opened.reason], draft)
    return replace(opened, restored=True)
