"""One event on its page, with what it says of each tear: new, or on record and to be corrected."""

from collections.abc import Mapping
from functools import cached_property
from typing import Any, Self
from uuid import UUID, uuid4

from django.urls import reverse
from django.utils.html import format_html

from registry import recording
from registry.models import Entry, Kept, Knee, Patient, User
from registry.models.followup import TearFinding
from registry.pages.differences import named
from registry.pages.forms.base import Spoken
from registry.pages.forms.events import EventForm, EventKind, FindingForm, Posted
from registry.pages.forms.events.answers import AnswersForm, Known, answers_of
from registry.pages.forms.saving import Entry as FormAndRow
from registry.pages.forms.saving import attempt, save
from registry.pages.tears import tears_of
from registry.pages.wording import facts
from registry.recording import Act
from registry.retrying import retried_with

ENTRY = "entry"
FINDINGS_ADDED = "Findings added"
ANOTHER_DAY = "If this was another one, enter its own date."


class EventPage:
    """The forms of one event."""

    def __init__(self, kind: EventKind, knee: Knee, event: EventForm, posted: Posted) -> None:
        self.kind, self.knee, self.event, self.posted = kind, knee, event, posted
        event.title = kind.name
        found = _found(kind, event.instance)
        self.findings = [
            kind.finding.of(number, tear, event.instance, found.get(tear.pk), posted)
            for number, tear in enumerate(tears_of(knee) if kind.finding else [], start=1)
            if kind.finding
        ]
        self.known_answers = _known_answers(event.instance)

    @cached_property
    def answers(self) -> AnswersForm:
        """What is asked depends on what is typed, so this is read once the findings are."""
        sound = [finding for finding in self.findings if self.posted is None or finding.is_valid()]
        asked = [(each.instance.tear, question) for each in sound for question in each.questions()]
        return AnswersForm(asked, self.known_answers, self.posted)

    @property
    def forms(self) -> list[Spoken]:
        return [self.event, *self.findings, *([self.answers] if self.answers.fields else [])]

    @property
    def said(self) -> list[FindingForm]:
        """The findings filled in or changed."""
        return [finding for finding in self.findings if finding.has_changed()]

    @property
    def has_changed(self) -> bool:
        return self.event.has_changed() or bool(self.said) or self.answers.has_changed()

    def is_valid(self) -> bool:
        # The event goes first: a finding is checked against its date.
        return all([form.is_valid() for form in (self.event, *self.findings)]) and self.answers.is_valid()

    def _tells_something(self, findings: list[FindingForm]) -> bool:
        if words := self.event.nothing_told(findings):
            self.event.add_error(None, words)
        return self.event.is_valid()


class NewEvent(EventPage):
    """An event not on record yet, or further findings of one that is: entered in two goes, it stays one."""

    joins: Entry | None = None

    @classmethod
    def of(cls, kind: EventKind, knee: Knee, posted: Posted = None) -> Self:
        event = kind.form.about(knee, posted)
        event.instance.uuid = _key(posted)
        return cls(kind, knee, event, posted)

    @property
    def key(self) -> UUID:
        """What the page carries, so that sending it twice records it once."""
        key: UUID = self.event.instance.uuid
        return key

    @property
    def sent_before(self) -> Entry | None:
        """What was recorded from this very page."""
        earlier: Entry | None = self.kind.form.recorded(self.knee).filter(uuid=self.key).first()
        return earlier

    def is_valid(self) -> bool:
        if not super().is_valid():
            return False
        self.joins = self.event.recorded_before()
        return self._tells_something(self.said) if self.joins is None else self._may_join(self.joins)

    def refer_to(self, recorded: Entry, words: str) -> None:
        """Say that an entry is on record, and where it is corrected."""
        url = reverse("correct_event", args=[self.knee.uuid, self.kind.slug, recorded.uuid])
        self.event.add_error(
            None, format_html('{} <a href="{}">Correct the {}</a>.', words, url, named(recorded))
        )

    def save(self, by: User) -> bool:
        if self.joins is None:
            return save([(self.event, self.event.instance), *self._parts(self.event.instance)], by)
        parts = self._parts(self.joins)
        act = Act(by, FINDINGS_ADDED)
        return attempt(lambda: recording.correct(*(row for _, row in parts), act=act), parts)

    def _may_join(self, recorded: Entry) -> bool:
        if not self.said:
            self.refer_to(recorded, f"The {named(recorded)} is already on record. {ANOTHER_DAY}")
            return False
        for name in self.event.differences(recorded):
            self.event.add_error(
                name,
                f"The {named(recorded)} is on record with: {_known(recorded, name)}. Choose that to add "
                f"to it, or correct it from the Knee story. {ANOTHER_DAY}",
            )
        for finding in self.said:
            finding.concerns(recorded)
        return self.event.is_valid()

    def _parts(self, event: Any) -> list[tuple[Spoken, Kept]]:
        findings: list[tuple[Spoken, Kept]] = [(finding, finding.instance) for finding in self.said]
        return [*findings, *[(self.answers, row) for row in self.answers.rows(event)]]


class RecordedEvent(EventPage):
    """An event on record, to be corrected; also a fact that stands with the patient, such as a death."""

    @classmethod
    def of(cls, kind: EventKind, knee: Knee, recorded: Entry | Patient, posted: Posted = None) -> Self:
        # Read anew, since forms write what is typed into their rows.
        row: Any = type(recorded).ever.get(pk=recorded.pk)
        return cls(kind, knee, kind.form.of(row, posted), posted)

    def is_valid(self) -> bool:
        return super().is_valid() and self._tells_something(self._kept_findings())

    def entries(self) -> list[FormAndRow]:
        return [(form, form.instance) for form in (self.event, *self._changed)]

    def correct(self, act: Act, seen: int) -> None:
        event: Any = self.event.instance
        rows = [event, *(finding.instance for finding in self._changed), *self.answers.rows(event)]

        def work() -> None:
            recording.correct(*rows, act=act, seen=seen)
            for row in [*self._cleared, *self.answers.no_longer_asked()]:
                recording.withdraw(row, act)

        retried_with(rows, work)

    @property
    def _changed(self) -> list[FindingForm]:
        return [finding for finding in self.said if not finding.is_cleared]

    @property
    def _cleared(self) -> list[Kept]:
        """Findings taken out, as they stand on record."""
        rows = [finding.instance for finding in self.said if finding.is_cleared]
        return [type(row).objects.get(pk=row.pk) for row in rows]

    def _kept_findings(self) -> list[FindingForm]:
        """Findings that the event will have; those left as they came are said as well."""
        return [
            finding
            for finding in self.findings
            if (finding.instance.pk or finding.has_changed()) and not finding.is_cleared
        ]


def _key(posted: Mapping[str, Any] | None) -> UUID:
    try:
        return UUID((posted or {}).get(ENTRY, ""))
    except ValueError:
        return uuid4()


def _found(kind: EventKind, event: Any) -> dict[int, TearFinding]:
    """What an event says so far, by tear."""
    if kind.finding is None or not event.pk:
        return {}
    model: Any = kind.finding._meta.model
    rows = model.objects.filter(**{model.EVENT_FIELD: event}).select_related("tear__procedure")
    return {finding.tear_id: finding for finding in rows}


def _known_answers(event: Any) -> Known:
    return answers_of(event) if event.pk else {}


def _known(recorded: Entry, name: str) -> str:
    """A field of a recorded event as a page shows it."""
    return next((text for _, text in facts(recorded, name)), "nothing entered")
