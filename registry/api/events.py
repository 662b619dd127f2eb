"""What happens to a knee, as resources: one class for every kind, made from the forms of the pages."""

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from django.db.models import Prefetch, QuerySet
from rest_framework import serializers

from registry.access import knee_for, knees_for, patients_for
from registry.api.asking import REASON, Placed, act_of, asked, refused_by
from registry.api.problems import Problem, Refused, invalid
from registry.api.resource import Resource
from registry.api.serializing import RowSerializer, Strict, fields_of, row_serializer
from registry.models import Entry, Knee, SecondLook, SecondLookFinding, SoftAnswer, User, Visit
from registry.pages.forms.events import EventKind
from registry.pages.forms.events.page import EventPage, NewEvent, RecordedEvent
from registry.pages.forms.operation.base import as_sent
from registry.pages.forms.saving import attempt
from registry.pages.tears import tears_of
from registry.vocabulary import HealingClass

Posted = dict[str, Any]
# Worked out from the record, and null where it cannot be.
GIVEN: dict[str, Any] = {"read_only": True, "allow_null": True}


class LookAnswerSerializer(Strict):
    """What was answered when the record asked about a tear seen again."""

    code = serializers.CharField(max_length=60)
    tear = serializers.UUIDField(source="tear.uuid", help_text="The tear asked about.")
    answer = serializers.CharField(max_length=200)


class Event(Resource):
    """One kind of event of a knee."""

    def __init__(
        self, slug: str, name: str, kind: EventKind, example: Mapping[str, Any], *, words: str = ""
    ) -> None:
        self.slug, self.name, self.kind, self.example = slug, name, kind, example
        self.words = words or kind.name.lower()
        self.model = kind.form._meta.model
        self.finding: Any = kind.finding._meta.model if kind.finding else None
        self._said_of_tear: Any = self._finding(read_only=False) if self.finding else None
        self.shown = self._serializer("", self._shown())
        self.recorded = self._serializer("New", self._recorded())
        self.corrected = self._serializer("Correction", {**self._corrected(), REASON: why()})

    # --- what it looks like ------------------------------------------------------------------------

    @property
    def fields(self) -> Sequence[str]:
        return fields_of(self.kind.form)

    def _serializer(self, role: str, declared: Mapping[str, Any]) -> type[RowSerializer]:
        name = f"{self.name.title().replace('_', '')}{role}"
        return row_serializer(name, self.model, self.fields, **declared)

    def _shown(self) -> dict[str, Any]:
        derived = {"clinically_healed": serializers.BooleanField(**GIVEN)} if self.model is Visit else {}
        return {**kept(), **of_knee(), **derived, **self._parts(read_only=True)}

    def _recorded(self) -> dict[str, Any]:
        return {"knee": serializers.UUIDField(), **self._parts()}

    def _corrected(self) -> dict[str, Any]:
        return self._parts()

    def _parts(self, *, read_only: bool = False) -> dict[str, Any]:
        many: dict[str, Any] = {"many": True, **({"read_only": True} if read_only else {"required": False})}
        parts: dict[str, Any] = {}
        if self.finding:
            said = self._finding(read_only=True) if read_only else self._said_of_tear
            parts["findings"] = said(source="standing_findings", **many)
        if self.model is SecondLook:
            parts["answers"] = LookAnswerSerializer(source="standing_answers", **many)
        return parts

    def _finding(self, *, read_only: bool) -> type[RowSerializer]:
        declared: dict[str, Any] = {"tear": serializers.UUIDField(source="tear.uuid")}
        if read_only and self.finding is SecondLookFinding:
            declared["healing_class"] = serializers.ChoiceField(HealingClass.choices, **GIVEN)
        assert self.kind.finding is not None  # noqa: S101 - only of kinds that have findings
        name = f"{self.finding.__name__}{'' if read_only else 'New'}"
        return row_serializer(name, self.finding, fields_of(self.kind.finding), **declared)

    # --- which rows --------------------------------------------------------------------------------

    def rows(self, person: User) -> QuerySet[Any]:
        model: Any = self.model
        rows = model.ever.filter(knee__in=knees_for(person)).select_related("knee__patient__unit")
        if self.finding:
            found = self.finding.objects.select_related("tear").order_by("pk")
            name = self.finding._meta.get_field(self.finding.EVENT_FIELD).remote_field.related_name
            rows = rows.prefetch_related(Prefetch(name, found, to_attr="standing_findings"))
        if self.model is SecondLook:
            answers = SoftAnswer.objects.select_related("tear").order_by("pk")
            rows = rows.prefetch_related(Prefetch("soft_answers", answers, to_attr="standing_answers"))
        return rows  # type: ignore[no-any-return]

    # --- to the record -----------------------------------------------------------------------------

    def record(self, person: User, said: Mapping[str, Any], sent: Any) -> Entry:
        knee = knee_for(person, said["knee"], self.write_action)
        kind = self.kind_of(said)
        page = NewEvent.of(kind, knee, self.posted(kind, knee, said, {}))
        sound = page.is_valid()
        if page.joins is not None:
            words = f"This {self.words} is on record already. Correct that one, or give another date."
            raise Refused("conflict", words, on_record=self.location(page.joins))
        if not sound or not page.save(person):
            raise self._refusal(page, said, sent)
        entry: Entry = page.event.instance
        return entry

    def correct(self, person: User, row: Any, said: Mapping[str, Any], sent: Any) -> None:
        kind, knee = self.kind_of(said, row), self.knee_of(person, row)
        stands = RecordedEvent.of(kind, knee, row)
        posted = {name: value for form in stands.forms for name, value in as_sent(form).items()}
        page = RecordedEvent.of(kind, knee, row, self.posted(kind, knee, said, posted))
        if not page.is_valid():
            raise self._refusal(page, said, sent)
        if not page.has_changed:
            return
        act, mark = act_of(person, row, said), self.mark(row)
        if not attempt(lambda: page.correct(act, mark), page.entries()):
            raise self._refusal(page, said, sent)

    def kind_of(self, said: Mapping[str, Any], row: Any = None) -> EventKind:
        """The forms that check it."""
        return self.kind

    def knee_of(self, person: User, row: Any) -> Knee:
        """The knee from which the row is corrected."""
        knee: Knee = row.knee
        return knee

    def posted(self, kind: EventKind, knee: Knee, said: Mapping[str, Any], posted: Posted) -> Posted:
        """What a browser would send that a person had filled in so, over what it would send already."""
        tears = {tear.uuid: tear.pk for tear in tears_of(knee)}
        posted = {**posted, **{name: said[name] for name in self.fields if name in said}}
        for place, finding in enumerate(said.get("standing_findings", ())):
            key = _tear(tears, finding, f"/findings/{place}/tear")
            posted |= {f"tear-{key}-{name}": value for name, value in finding.items() if name != "tear"}
        for place, answer in enumerate(said.get("standing_answers", ())):
            key = _tear(tears, answer, f"/answers/{place}/tear")
            posted[f"answer-{answer['code']}-{key}"] = answer["answer"]
        return posted

    def names(self, kind: EventKind) -> Mapping[str, str]:
        """Fields of the form that stand elsewhere in the body, by name."""
        return {}

    def _refusal(self, page: EventPage, said: Mapping[str, Any], sent: Any) -> Refused:
        told = [each["tear"]["uuid"] for each in said.get("standing_findings", ())]
        forms: list[Placed] = [(page.event, "", self.names(page.kind))]
        for each in page.findings:
            uuid = each.instance.tear.uuid
            forms.append((each, f"/findings/{told.index(uuid)}" if uuid in told else "/findings", {}))
        if page.answers.errors and not any(form.errors for form, _, _ in forms):
            return asked((question, {"tear": str(tear.uuid)}) for tear, question in page.answers.unanswered)
        return refused_by([*forms, (page.answers, "/answers", {})], sent)


class OfPatient(Event):
    """An event of a patient rather than of one knee."""

    knee_path = "patient__knees__uuid"

    def _shown(self) -> dict[str, Any]:
        return {**kept(), "patient": serializers.UUIDField(source="patient.uuid", read_only=True)}

    def _recorded(self) -> dict[str, Any]:
        return {"patient": serializers.UUIDField()}

    def rows(self, person: User) -> QuerySet[Any]:
        model: Any = self.model
        rows: QuerySet[Any] = model.ever.filter(patient__in=patients_for(person)).select_related("patient")
        return rows

    def require_write(self, person: User, row: Any) -> None:
        self.knee_of(person, row)

    def record(self, person: User, said: Mapping[str, Any], sent: Any) -> Entry:
        knee = self._knee(person, said["patient"])
        return super().record(person, {**said, "knee": knee.uuid}, sent)

    def knee_of(self, person: User, row: Any) -> Knee:
        return self._knee(person, row.patient.uuid)

    def _knee(self, person: User, patient: UUID) -> Knee:
        """Any knee by which the person may follow the patient."""
        seen = knees_for(person).filter(patient__uuid=patient).order_by("pk")
        allowed = knees_for(person, self.write_action).filter(patient__uuid=patient).order_by("pk")
        knee = allowed.select_related("patient").first() or seen.first()
        return knee_for(person, knee.uuid if knee else patient, self.write_action)


def kept() -> dict[str, Any]:
    """What every entry is shown with."""
    return {
        "uuid": serializers.UUIDField(read_only=True),
        "recorded_at": serializers.DateTimeField(read_only=True),
        "withdrawn_at": serializers.DateTimeField(read_only=True, allow_null=True),
    }


def of_knee() -> dict[str, Any]:
    """Whose it is."""
    return {
        "knee": serializers.UUIDField(source="knee.uuid", read_only=True),
        "patient": serializers.UUIDField(source="knee.patient.uuid", read_only=True),
    }


def why() -> serializers.CharField:
    """The reason that every correction gives."""
    return serializers.CharField(max_length=200, help_text="Why it is corrected; kept in the history.")


def _tear(tears: Mapping[UUID, int], said: Mapping[str, Any], pointer: str) -> int:
    """The key of a tear of the knee that a finding or an answer names."""
    uuid = said["tear"]["uuid"]
    if uuid not in tears:
        words = "This is no tear of the knee. Take one of its operations' tears."
        raise invalid([Problem(pointer, words, str(uuid))])
    return tears[uuid]
