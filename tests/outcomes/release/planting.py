"""A record whose every field of text holds one found nowhere else, and whose dates and keys are all known.

The fields are found by walking the models: a new one is planted too, or the test that uses this fails.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import uuid4

from django.apps import apps
from django.db import IntegrityError, models, transaction
from django.db.models import F, Value
from django.db.models.functions import Cast as CastTo
from django.db.models.functions import Concat, LPad, Mod
from django.utils import timezone

from registry import sealing
from registry.demo.cast import Cast
from registry.demo.load import load
from registry.demo.scenario import generate
from registry.demo.truth import Truth
from registry.models import (
    AccessKey,
    AccountEvent,
    AccountEventKind,
    BrowserSession,
    Creation,
    Draft,
    Erasure,
    IdentityView,
    Intake,
    IntakeMemory,
    IntakeRow,
    Invitation,
    KnockCount,
    LotLookUp,
    Opening,
    OpeningKind,
    Patient,
    RecoveryCode,
    SecondFactor,
    User,
    Wording,
    triggers,
)

PATIENTS, SEED, UNTIL = 130, 7, date(2026, 6, 1)
# Improbable in any language, in hexadecimal and in base 32, which has no 9.
STEM = "zwq9xj8"
TEXTS = (models.CharField, models.TextField, models.JSONField, models.BinaryField)
# Fields without which a score is not released at all are planted in every fourth row only.
EVERY_FOURTH = {
    "ScoreResponse.instrument": 0,
    "ScoreResponse.instrument_version": 1,
    "ScoreResponse.scale_values": 2,
}


@dataclass(frozen=True)
class Planted:
    """What stands in the record: `fields` by the text planted in them, `refused` those that take no text.

    `dates` are all dates of the record, `keys` all its UUIDs as text.
    """

    fields: dict[str, str]
    refused: frozenset[str]
    dates: frozenset[date]
    keys: frozenset[str]


def planted_record() -> Planted:
    """Load a small demo and plant it, past the rules of history: nothing of it would be entered like that."""
    load(generate(PATIENTS, SEED, UNTIL, Truth.read()), Cast.read(), UNTIL, lambda username: "elder-93")
    triggers.remove("default")
    _fill_empty_tables()
    fields, refused = {}, set()
    for number, (model, field) in enumerate(_fields(*TEXTS)):
        text = f"{STEM}{number:03d}"
        name = f"{model.__name__}.{field.name}"
        if _plant(model, field, name, text):
            fields[text] = name
        else:
            refused.add(name)
    _date_the_undated()
    days = {_day(value) for model, field in _fields(models.DateField) for value in _values(model, field)}
    keys = {str(value) for model, field in _fields(models.UUIDField) for value in _values(model, field)}
    return Planted(fields, frozenset(refused), frozenset(days), frozenset(keys))


def every_model() -> list[type[models.Model]]:
    """Every table of the record."""
    return list(apps.get_app_config("registry").get_models())


def field_named(name: str) -> models.Field:
    """The field of `Model.field`; LookupError or FieldDoesNotExist where there is none."""
    model, field = name.split(".")
    found: models.Field = apps.get_model("registry", model)._meta.get_field(field)
    return found


def _fields(
    *kinds: type[models.Field],
) -> Iterator[tuple[type[models.Model], models.Field]]:
    for model in every_model():
        for field in model._meta.concrete_fields:
            if isinstance(field, kinds) and not field.is_relation:
                yield model, field


def _values(model: type[models.Model], field: models.Field) -> list[Any]:
    known = model._base_manager.filter(**{f"{field.name}__isnull": False})
    return list(known.values_list(field.name, flat=True).distinct().order_by())


def _day(value: date | datetime) -> date:
    return value.astimezone(UTC).date() if isinstance(value, datetime) else value


def _fill_empty_tables() -> None:
    """A row for every table that the demo leaves empty; the planting asserts that none stays so."""
    user, patient = User.objects.all()[0], Patient.objects.all()[0]
    IdentityView.objects.create(patient=patient, user=user, reason="a call")
    LotLookUp.objects.create(user=user, device_identifier="0" * 14, lot="L1", reason="recall", knees_found=1)
    Draft.objects.create(user=user, page="/operations/new/", sealed="sealed")
    KnockCount.objects.create(address_index="a" * 64, since=timezone.now() - timedelta(days=3))
    Wording.objects.create(instrument="koos", language="en", code="P1", text="How often?")
    _fill_ways_in(user, patient)
    _fill_trust(user, patient)


def _fill_trust(user: User, patient: Patient) -> None:
    """How somebody came in and whom they looked at; an erasure that is over."""
    soon = timezone.now() + timedelta(days=3)
    Invitation.objects.create(digest="d" * 64, unit=patient.unit, label="New surgeon", expires_at=soon)
    BrowserSession.objects.create(session_key="e" * 32, session_data="", expire_date=soon, user=user)
    SecondFactor.objects.create(user=user, name="Codes", sealed_key=sealing.seal("key"))
    RecoveryCode.objects.create(user=user, digest="f" * 64)
    AccountEvent.objects.create(user=user, kind=AccountEventKind.SIGNED_IN)
    Opening.objects.create(patient=patient, user=user, kind=OpeningKind.STORY, day=timezone.now().date())
    Erasure.objects.create(
        unit=patient.unit, patient_uuid=uuid4(), asked_on=timezone.now().date(), by=user, reason="asked",
        keeps_outcome=False, in_hand=False,
    )  # fmt: skip


def _fill_ways_in(user: User, patient: Patient) -> None:
    """An intake with its file, and a key by which a program writes."""
    of_unit = {"unit": patient.unit}
    intake = Intake.objects.create(**of_unit, begun_by=user, file_name="old.csv", file_sealed=b"sealed")
    IntakeRow.objects.create(intake=intake, row_table=Patient._meta.db_table, row_id=patient.pk)
    IntakeMemory.objects.create(**of_unit, header="b" * 64)
    AccessKey.objects.create(user=user, digest="c" * 64, expires_at=timezone.now() + timedelta(days=3))
    Creation.objects.create(user=user, key="k", location="/api/v1/patients/")


def _plant(model: type[models.Model], field: models.Field, name: str, text: str) -> bool:
    """Whether every row, or every fourth, now holds the text; False where the database refuses it."""
    rows = model._base_manager.annotate(part=Mod(F("pk"), Value(4)))
    if name in EVERY_FOURTH:
        rows = rows.filter(part=EVERY_FOURTH[name])
    assert rows.exists(), f"{name} is in no row: add one in {_fill_empty_tables.__name__}"
    if not _taken(rows, field, text):
        # A list of codes takes it nowhere; free text may be refused in some rows, for what else they hold.
        single = () if field.choices else (rows.filter(pk=row.pk) for row in rows)
        if not any(_taken(row, field, text) for row in single):
            return False
    if field.name.endswith("_sealed"):
        # Every other one truly sealed, in case a release opened it.
        rows.filter(part__in=(1, 3)).update(**{field.name: _sealed(field, text)})
    return True


def _sealed(field: models.Field, text: str) -> str | bytes:
    return sealing.seal_bytes(text.encode()) if _is_file(field) else sealing.seal(text)


def _is_file(field: models.Field) -> bool:
    return isinstance(field, models.BinaryField)


def _taken(rows: models.QuerySet, field: models.Field, text: str) -> bool:
    try:
        with transaction.atomic():
            rows.update(**{field.name: _planted(field, text)})
    except IntegrityError:
        return False
    return True


def _planted(field: models.Field, text: str) -> Any:
    """The text as the field can hold it, with the row's key behind it where that may have to differ."""
    if isinstance(field, models.JSONField):
        return [text] if field.name == "instruments" else {"total": 50, text: text}
    if field.choices:
        return text[: field.max_length]
    if _is_file(field):
        return text.encode()
    return Concat(Value(text), LPad(CastTo("pk", models.CharField()), 4, Value("0")))


def _date_the_undated() -> None:
    """A day of its own for every kind of date that nobody of the demo has."""
    for number, (model, field) in enumerate(_fields(models.DateField)):
        if not _values(model, field):
            day: Any = datetime(2026, 5, 2, 12, tzinfo=UTC) + timedelta(hours=number)
            day = day if isinstance(field, models.DateTimeField) else day.date()
            last = model._base_manager.latest("pk")
            model._base_manager.filter(pk=last.pk).update(**{field.name: day})
