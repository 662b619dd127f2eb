"""An operation as JSON: what is read, what is sent to record it, and what is sent to correct it."""

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from registry.api.asking import REASON
from registry.api.events import GIVEN, kept, of_knee
from registry.api.serializing import Strict, fields_of, row_serializer
from registry.models import Implant, IndexProcedure, Rehabilitation, Repair, SuturePass, Tear
from registry.pages.forms.operation.implants import ImplantForm
from registry.pages.forms.operation.procedure import SURGEONS, ProcedureForm, RehabilitationForm
from registry.pages.forms.operation.repairs import PassForm, RepairForm
from registry.pages.forms.operation.rows import IMPLANTS, PASSES, TEARS
from registry.pages.forms.operation.tears import TearForm
from registry.vocabulary import LigamentState, RehabilitationCourse, Side

_OWN = [name for name in fields_of(ProcedureForm) if name not in SURGEONS]


def _of_surgeons(*, required: bool) -> dict[str, Any]:
    empty: dict[str, Any] = {"required": False, "allow_null": True}
    return {
        name: serializers.CharField(
            source=f"{name}.code",
            max_length=20,
            help_text="Code of a surgeon of the unit.",
            **({"required": required} if name == "lead_surgeon" else empty),
        )
        for name in SURGEONS
    }


def _why() -> serializers.CharField:
    return serializers.CharField(
        max_length=200,
        required=False,
        help_text="Why it is corrected; may be left out only while the note is not signed.",
    )


class OperationAnswerSerializer(Strict):
    """What was answered when the record asked about an operation."""

    code = serializers.CharField(max_length=60)
    tear_number = serializers.IntegerField(
        required=False,
        allow_null=True,
        min_value=1,
        max_value=TEARS,
        help_text="From 1; null: the operation.",
    )
    answer = serializers.CharField(
        max_length=200,
        allow_blank=True,
        help_text="In a few words; empty leaves the question open.",
    )


PassSerializer = row_serializer("SuturePass", SuturePass, fields_of(PassForm))
RepairSerializer = row_serializer(
    "Repair",
    Repair,
    fields_of(RepairForm),
    passes=PassSerializer(many=True, required=False, max_length=PASSES, source="standing_passes"),
)
_REVISES = serializers.UUIDField(
    source="revises.uuid",
    required=False,
    allow_null=True,
    help_text="The tear repaired before, when this one is its return; null: a new tear. To be said of a knee "
    "that was repaired before.",
)
_REPAIR = RepairSerializer(
    required=False, allow_null=True, source="standing_repair", help_text="Of a tear that was repaired."
)
TearSerializer = row_serializer(
    "Tear",
    Tear,
    fields_of(TearForm),
    uuid=serializers.UUIDField(read_only=True),
    revises=_REVISES,
    repair=_REPAIR,
)
OperationTearSerializer = row_serializer(
    "OperationTear",
    Tear,
    fields_of(TearForm),
    uuid=serializers.UUIDField(read_only=True),
    operation=serializers.UUIDField(source="procedure.uuid", read_only=True),
    knee=serializers.UUIDField(source="procedure.knee.uuid", read_only=True),
    withdrawn_at=serializers.DateTimeField(read_only=True, allow_null=True),
    revises=_REVISES,
    repair=_REPAIR,
)
TearCorrectionSerializer = row_serializer(
    "TearCorrection",
    Tear,
    fields_of(TearForm),
    revises=_REVISES,
    repair=_REPAIR,
    answers=OperationAnswerSerializer(many=True, required=False),
    **{REASON: _why()},
)
ImplantSerializer = row_serializer("Implant", Implant, fields_of(ImplantForm))
RehabilitationSerializer = row_serializer("Rehabilitation", Rehabilitation, fields_of(RehabilitationForm))


_SHOWN = row_serializer(
    "Operation",
    IndexProcedure,
    _OWN,
    **kept(),
    **of_knee(),
    side=serializers.ChoiceField(Side.choices, source="knee.side", read_only=True),
    unit=serializers.CharField(source="unit.code", read_only=True),
    **_of_surgeons(required=True),
    from_old_notes=serializers.BooleanField(read_only=True),
    signed_at=serializers.DateTimeField(**GIVEN),
    tears=TearSerializer(many=True, read_only=True, source="standing_tears"),
    implants=ImplantSerializer(many=True, read_only=True, source="standing_implants"),
    planned_rehabilitation=serializers.SerializerMethodField(),
    actual_rehabilitation=serializers.SerializerMethodField(),
    answers=serializers.SerializerMethodField(),
)


class OperationSerializer(_SHOWN):  # type: ignore[misc, valid-type]
    """One operation on one knee in which at least one tear was treated, with all its parts."""

    @extend_schema_field(RehabilitationSerializer(allow_null=True))
    def get_planned_rehabilitation(self, operation: IndexProcedure) -> Any:
        return _course(operation, RehabilitationCourse.PLANNED)

    @extend_schema_field(RehabilitationSerializer(allow_null=True))
    def get_actual_rehabilitation(self, operation: IndexProcedure) -> Any:
        return _course(operation, RehabilitationCourse.ACTUAL)

    @extend_schema_field(OperationAnswerSerializer(many=True))
    def get_answers(self, operation: Any) -> Any:
        numbers = {tear.pk: number for number, tear in enumerate(operation.standing_tears, start=1)}
        return [
            {"code": each.code, "tear_number": numbers.get(each.tear_id), "answer": each.answer}
            for each in operation.standing_answers
        ]


NewOperationSerializer = row_serializer(
    "NewOperation",
    IndexProcedure,
    [name for name in _OWN if name != "acl"],
    acl=serializers.ChoiceField(LigamentState.choices, help_text="Intact is never assumed."),
    knee=serializers.UUIDField(required=False, help_text="A knee on record; else patient and side."),
    patient=serializers.UUIDField(required=False),
    side=serializers.ChoiceField(Side.choices, required=False),
    unit=serializers.CharField(
        required=False,
        max_length=20,
        help_text="Code of the unit; left out by who operates in one.",
    ),
    **_of_surgeons(required=True),
    tears=TearSerializer(many=True, min_length=1, max_length=TEARS, source="standing_tears"),
    implants=ImplantSerializer(many=True, required=False, max_length=IMPLANTS, source="standing_implants"),
    planned_rehabilitation=RehabilitationSerializer(required=False, allow_null=True),
    answers=OperationAnswerSerializer(many=True, required=False),
)
OperationCorrectionSerializer = row_serializer(
    "OperationCorrection",
    IndexProcedure,
    _OWN,
    **_of_surgeons(required=False),
    implants=ImplantSerializer(many=True, required=False, max_length=IMPLANTS, source="standing_implants"),
    planned_rehabilitation=RehabilitationSerializer(required=False, allow_null=True),
    answers=OperationAnswerSerializer(many=True, required=False),
    **{REASON: _why()},
)


def _course(operation: Any, course: RehabilitationCourse) -> Any:
    row = next((each for each in operation.standing_rehabilitation if each.course == course), None)
    return RehabilitationSerializer(row).data if row else None
