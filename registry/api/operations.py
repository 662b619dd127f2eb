"""Operations as a resource: recorded whole with tears, repairs, implants and aftercare, or not at all."""

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.db.models import Prefetch, QuerySet
from rest_framework.request import Request
from rest_framework.response import Response

from registry.access import Action, knee_for, knees_for, patient_for, require, units_for
from registry.api import examples
from registry.api.asking import Placed, act_of, refused_by
from registry.api.entries import EntryView
from registry.api.operation_shown import (
    NewOperationSerializer,
    OperationCorrectionSerializer,
    OperationSerializer,
    OperationTearSerializer,
    TearCorrectionSerializer,
)
from registry.api.operation_typed import (
    Places,
    answered,
    entry_of,
    places,
    places_of,
    put_operation,
    put_tear,
    refuse_unless_sound,
    typed_as_recorded,
    typed_whole,
)
from registry.api.patients import unit_named
from registry.api.problems import Problem, Refused, invalid
from registry.api.resource import Resource
from registry.models import (
    Implant,
    IndexProcedure,
    Knee,
    Rehabilitation,
    SoftAnswer,
    SuturePass,
    Tear,
    User,
)
from registry.pages.forms.operation.correction import save_correction
from registry.pages.forms.operation.entry import OperationEntry, Setting
from registry.pages.forms.saving import save
from registry.pages.sign import may_sign
from registry.recording import sign

Said = Mapping[str, Any]
NOT_YOURS_TO_SIGN = "Only whoever led the operation or repaired in it signs it."


class Operation(Resource):
    """Operations, corrected field by field; each tear has an address of its own for that."""

    slug, name, words = "operations", "operation", "operation"
    model = IndexProcedure
    shown, recorded, corrected = OperationSerializer, NewOperationSerializer, OperationCorrectionSerializer
    write_action = Action.RECORD_OPERATION
    example = examples.OPERATION

    def rows(self, person: User) -> QuerySet[Any]:
        tears = _tears(Tear.objects.order_by("pk"))
        surgeons = ("lead_surgeon", "first_assistant", "repaired_by")
        rows = IndexProcedure.ever.filter(knee__in=knees_for(person))
        return rows.select_related("knee__patient", "unit", *surgeons).prefetch_related(
            Prefetch("tears", tears, to_attr="standing_tears"),
            Prefetch("implants", Implant.objects.order_by("pk"), to_attr="standing_implants"),
            Prefetch("rehabilitation", Rehabilitation.objects.all(), to_attr="standing_rehabilitation"),
            Prefetch("soft_answers", SoftAnswer.objects.order_by("pk"), to_attr="standing_answers"),
        )

    def require_write(self, person: User, row: Any) -> None:
        super().require_write(person, row)
        if not units_for(person, self.write_action).filter(pk=row.unit_id).exists():
            raise PermissionDenied

    def record(self, person: User, said: Said, sent: Any) -> IndexProcedure:
        units = require(person, self.write_action)
        unit, knee = unit_named(units, said), self._knee(person, said)
        setting = Setting(person, units, None if knee._state.adding else knee)
        typed = typed_whole(setting, said)
        typed["patient-unit"] = str(unit.pk)
        entry = answered(lambda typed: entry_of(setting, knee, typed), typed, said.get("answers", ()))
        refuse_unless_sound(entry, sent, places)
        if not save(entry.entries(), by=person):
            raise refused_by(places(entry), sent)
        return entry.procedure.instance  # type: ignore[no-any-return]

    def correct(self, person: User, row: Any, said: Said, sent: Any) -> None:
        setting = setting_of(person, row)
        typed = typed_as_recorded(setting)
        put_operation(typed, setting, said)
        entry = answered(lambda typed: OperationEntry.sent(setting, typed), typed, said.get("answers", ()))
        save_corrected(person, row, entry, said, sent, places)

    def _knee(self, person: User, said: Said) -> Knee:
        """The knee operated on: one on record, or the side of a patient on record."""
        if knee := said.get("knee"):
            return knee_for(person, knee, self.write_action)
        if missing := [name for name in ("patient", "side") if not said.get(name)]:
            words = "Say whose knee: 'knee', or else 'patient' and 'side'."
            raise invalid(Problem(f"/{name}", words) for name in missing)
        patient = patient_for(person, said["patient"], self.write_action)
        known = Knee.objects.filter(patient=patient, side=said["side"]).select_related("patient").first()
        return known or Knee(patient=patient, side=said["side"])


class TearOfOperation(Resource):
    """One tear with its repair: a part of its operation, under that one's history and reasons."""

    slug, name, words = "tears", "tear", "tear"
    model: ClassVar[Any] = Tear  # type: ignore[misc]  # no entry, but with a UUID of its own
    shown, corrected = OperationTearSerializer, TearCorrectionSerializer
    write_action = Action.RECORD_OPERATION

    def rows(self, person: User) -> QuerySet[Any]:
        rows = Tear.ever.filter(procedure__knee__in=knees_for(person))
        return _tears(rows).select_related("procedure__knee__patient", "procedure__unit")

    def require_write(self, person: User, row: Any) -> None:
        Operation().require_write(person, row.procedure)

    def correct(self, person: User, row: Any, said: Said, sent: Any) -> None:
        operation = row.procedure
        setting = setting_of(person, operation)
        typed = typed_as_recorded(setting)
        number = _number(row)
        put_tear(typed, setting, number, said, "")
        entry = answered(lambda typed: OperationEntry.sent(setting, typed), typed, said.get("answers", ()))
        save_corrected(person, operation, entry, said, sent, lambda entry: _places_around(entry, number))


class Signature(EntryView):
    """Sign an operation note; from then on every correction of it gives its reason."""

    def post(self, request: Request, uuid: UUID) -> Response:
        def change(row: Any) -> None:
            if not may_sign(self.person, row):
                raise Refused("forbidden", NOT_YOURS_TO_SIGN)
            if row.is_signed or not row.stands:
                raise Refused("conflict", "Only a note that stands and is not signed yet can be signed.")
            sign(row, self.person, seen=self.resource.mark(row))

        return self.changed(uuid, change)


def setting_of(person: User, operation: IndexProcedure) -> Setting:
    """Who corrects which operation."""
    return Setting(person, require(person, Action.RECORD_OPERATION), operation.knee, operation)


def save_corrected(
    person: User, operation: IndexProcedure, entry: OperationEntry, said: Said, sent: Any, at: Places
) -> None:
    """Write what changed of an operation, with its reason."""
    refuse_unless_sound(entry, sent, at)
    if not entry.has_changed:
        return
    act = act_of(person, operation, said)
    if not save_correction(entry, act, Operation().mark(operation)):
        raise refused_by(at(entry), sent)


def _tears(rows: QuerySet[Tear]) -> QuerySet[Tear]:
    passes = Prefetch("repair__passes", SuturePass.objects.order_by("pk"), to_attr="standing_passes")
    return rows.select_related("repair", "revises").prefetch_related(passes)


def _number(tear: Tear) -> int:
    """Where a tear stands among those of its operation, from 1."""
    return Tear.objects.filter(procedure=tear.procedure_id, pk__lte=tear.pk).count()


def _places_around(entry: OperationEntry, number: int) -> Iterator[Placed]:
    """The forms of one tear at the root of its body; what they meet elsewhere is said of the whole."""
    yield from places_of(entry.cards[number - 1], "")
    yield entry.procedure, "", {}
    yield entry.answers, "/answers", {}
