"""Patients and knees. Who a patient is goes in once, sealed; no answer ever carries it."""

from collections.abc import Mapping
from typing import Any, ClassVar

from django.core.exceptions import PermissionDenied
from django.db.models import Prefetch, QuerySet
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.access import Action, knees_for, patients_for, require
from registry.api import examples
from registry.api.asking import REASON, act_of, refused_by
from registry.api.entries import EntryListAndRecord, EntryView
from registry.api.events import why
from registry.api.paging import page
from registry.api.problems import Problem, Refused, invalid
from registry.api.resource import Resource
from registry.api.serializing import Strict, body_of, row_serializer
from registry.models import Identity, Knee, Patient, Unit, User
from registry.pages.forms.events.patient import ResearchPermissionForm
from registry.recording import correct, record
from registry.sealing import blind_index

_LETTERS = ("language", "reminders")
_PERMISSION = ("research_permission", "research_permission_on")
_OWN = ("sex", "born_on", "born_on_is_exact", "died_on", *_PERMISSION, *_LETTERS)
TAKEN = (
    "A patient of this unit with this hospital number is on record. Find them by POST to "
    "/api/v1/patients/find/; nothing is merged."
)


def _secret(**options: Any) -> serializers.CharField:
    return serializers.CharField(write_only=True, help_text="Kept sealed, and in no answer.", **options)


class KneeOfPatientSerializer(serializers.Serializer):
    """One side of a patient."""

    uuid = serializers.UUIDField()
    side = serializers.CharField()


PatientSerializer = row_serializer(
    "Patient",
    Patient,
    _OWN,
    uuid=serializers.UUIDField(read_only=True),
    unit=serializers.CharField(source="unit.code", read_only=True),
    knees=KneeOfPatientSerializer(many=True, read_only=True, source="seen_knees"),
)
NewPatientSerializer = row_serializer(
    "NewPatient",
    Patient,
    _OWN,
    unit=serializers.CharField(max_length=20, required=False, help_text="Code of the unit that treats them."),
    hospital_number=_secret(max_length=40),
    given_names=_secret(max_length=120, required=False),
    family_name=_secret(max_length=120, required=False),
    email=serializers.EmailField(
        write_only=True, required=False, max_length=254, help_text="Kept sealed, and in no answer."
    ),
    phone=_secret(max_length=40, required=False),
)
PatientCorrectionSerializer = row_serializer("PatientCorrection", Patient, _OWN, **{REASON: why()})
KneeSerializer = row_serializer(
    "Knee",
    Knee,
    ("side",),
    uuid=serializers.UUIDField(read_only=True),
    patient=serializers.UUIDField(source="patient.uuid", read_only=True),
    unit=serializers.CharField(source="patient.unit.code", read_only=True),
    read_only=("side",),
)


class FindSerializer(Strict):
    """A hospital number, which goes in the body and never in an address."""

    hospital_number = _secret(max_length=40)


class FoundSerializer(serializers.Serializer):
    """The patients of the person's units who have that number; mostly one, or none."""

    items = PatientSerializer(many=True)


class PatientResource(Resource):
    """Patients of the person's units, and those of whose knees they follow one."""

    slug, name, words = "patients", "patient", "patient"
    model: ClassVar[Any] = Patient  # type: ignore[misc]  # no entry, but what entries are made about
    shown, recorded, corrected = PatientSerializer, NewPatientSerializer, PatientCorrectionSerializer
    example = examples.PATIENT

    def rows(self, person: User) -> QuerySet[Any]:
        seen = Prefetch("knees", knees_for(person).order_by("side"), to_attr="seen_knees")
        return patients_for(person).select_related("unit").prefetch_related(seen)

    def require_write(self, person: User, row: Any) -> None:
        if not patients_for(person, self.write_action).filter(pk=row.pk).exists():
            raise PermissionDenied

    def record(self, person: User, said: Mapping[str, Any], sent: Any) -> Any:
        unit = unit_named(require(person, Action.RECORD_OPERATION), said)
        number = said["hospital_number"]
        index = blind_index(unit.pk, number)
        if Identity.objects.filter(unit=unit, hospital_number_index=index).exists():
            raise Refused("conflict", TAKEN)
        patient = Patient(unit=unit)
        _fill(patient, said, sent)
        plain = {name: said[name] for name in Identity.FIELDS if name in said}
        record(patient, Identity.sealed(patient, **plain), by=person)
        return patient

    def correct(self, person: User, row: Any, said: Mapping[str, Any], sent: Any) -> None:
        act, mark = act_of(person, row, said), self.mark(row)
        _fill(row, said, sent)
        correct(row, act=act, seen=mark)


class KneeResource(Resource):
    """Knees operated on in the person's units. A knee comes on record with its first operation."""

    slug, name, words = "knees", "knee", "knee"
    model: ClassVar[Any] = Knee  # type: ignore[misc]  # no entry, but what entries are made about
    shown = KneeSerializer

    def rows(self, person: User) -> QuerySet[Any]:
        return knees_for(person).select_related("patient__unit")


class PlainList(EntryView):
    """All of a kind that has no day of recording of its own."""

    def get(self, request: Request) -> Response:
        return page(request, self.resource.rows(self.person), self.shown)


class PlainListAndRecord(PlainList, EntryListAndRecord):
    """All of such a kind, and another one."""


class FindPatient(EntryView):
    """Patients by hospital number, through the blind index: no identity is opened, no number kept."""

    reads = ("POST",)

    def post(self, request: Request) -> Response:
        units = require(self.person, Action.SEE_RECORD)
        number = body_of(FindSerializer, request.data)["hospital_number"]
        indices = [blind_index(unit.pk, number) for unit in units]
        named = Identity.objects.filter(unit__in=units, hospital_number_index__in=indices)
        rows = self.resource.rows(self.person).filter(pk__in=named.values("patient")).order_by("pk")
        return Response({"items": self.shown(rows)})


def unit_named(units: QuerySet[Unit], said: Mapping[str, Any]) -> Unit:
    """The unit named, or the only one in which the person operates."""
    code, known = said.get("unit"), {unit.code: unit for unit in units}
    if code is None and len(known) == 1:
        return next(iter(known.values()))
    if code not in known:
        words = f"Name a unit in which you record operations: {', '.join(known)}."
        raise invalid([Problem("/unit", words, code)])
    return known[code]


def _fill(patient: Patient, said: Mapping[str, Any], sent: Any) -> None:
    """Set what is said; the answer about research goes with its day."""
    for name in _OWN:
        if name in said:
            setattr(patient, name, said[name])
    answered = ResearchPermissionForm(
        {name: getattr(patient, name) for name in _PERMISSION}, instance=patient
    )
    if any(name in said for name in _PERMISSION) and not answered.is_valid():
        raise refused_by([(answered, "", {})], sent)
