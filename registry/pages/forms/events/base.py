"""What the forms of all events have in common, and the form of what an event says of one tear."""

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, Self

from django.db.models import Model, QuerySet

from registry.models import Entry, Knee, Tear
from registry.models.followup import TearFinding
from registry.pages.forms.base import RecordForm
from registry.pages.wording import Facts, tear_facts, tear_name
from registry.rules.questions import Question

Posted = Mapping[str, Any] | None


class EventForm(RecordForm):
    """One event of a knee."""

    # Two entries that agree in these fields speak of one event.
    IDENTIFIED_BY: ClassVar[tuple[str, ...]] = ()
    # The field that says when it happened.
    DATE: ClassVar[str] = ""

    @classmethod
    def whose(cls, knee: Knee) -> dict[str, Model]:
        """What the event belongs to, by its field."""
        return {"knee": knee}

    @classmethod
    def recorded(cls, knee: Knee) -> QuerySet[Any]:
        """Every event of this kind that was ever recorded of the knee."""
        rows: QuerySet[Any] = cls._meta.model.ever.filter(**cls.whose(knee))
        return rows

    @classmethod
    def about(cls, knee: Knee, posted: Posted) -> Self:
        return cls(posted, instance=cls._meta.model(**cls.whose(knee)))

    @classmethod
    def of(cls, recorded: Any, posted: Posted) -> Self:
        """The form of an event on record."""
        return cls(posted, instance=recorded)

    def recorded_before(self) -> Entry | None:
        """The same event, if it is on record."""
        if not self.IDENTIFIED_BY:
            return None
        same = {name: self.cleaned_data[name] for name in self.IDENTIFIED_BY}
        rows: Any = self._meta.model._default_manager.filter(knee=self.instance.knee, **same)
        found: Entry | None = rows.first()
        return found

    def nothing_told(self, findings: Sequence["FindingForm"]) -> str:
        """Why the event, with these findings, is none; the empty text when it is one."""
        return ""

    def outcome(self) -> str:
        """What the event comes to, in sentences, once it is recorded; the empty text when that is all."""
        return ""

    def differences(self, recorded: Model) -> list[str]:
        """The fields in which this entry disagrees with the recorded event."""
        return [name for name in self.fields if getattr(recorded, name) != self.cleaned_data[name]]


class FindingForm(RecordForm):
    """What an event says of one tear; left as it came, it says nothing."""

    known: Facts
    number: int

    @classmethod
    def of(cls, number: int, tear: Tear, event: Model, found: TearFinding | None, posted: Posted) -> Self:
        """The form of a finding on record, or of one that may be made."""
        finding: Any = cls._meta.model
        instance = found or finding(tear=tear)
        setattr(instance, finding.EVENT_FIELD, event)
        form = cls(
            posted,
            instance=instance,
            prefix=f"tear-{tear.pk}",
            empty_permitted=True,
            use_required_attribute=False,
        )
        form.number, form.title, form.known = number, tear_name(number, tear), tear_facts(tear)
        return form

    @property
    def is_cleared(self) -> bool:
        """Whether it is on record and everything it said was taken out."""
        blank: Any = self._meta.model()
        return (
            bool(self.instance.pk)
            and self.has_changed()
            and all(value in (None, "", getattr(blank, name)) for name, value in self.cleaned_data.items())
        )

    def questions(self) -> list[Question]:
        """What the soft rules ask about the finding, once it is read."""
        return []

    def concerns(self, event: Model) -> None:
        """Say which recorded event the finding belongs to."""
        finding: TearFinding = self.instance
        setattr(finding, finding.EVENT_FIELD, event)
