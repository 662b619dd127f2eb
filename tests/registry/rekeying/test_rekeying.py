"""Rotation of keys: afterwards nothing opens only by the old key, and nothing but seals has changed."""

import json
from io import StringIO
from typing import Any

import pytest
from cryptography.fernet import Fernet, InvalidToken
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, models, transaction

from registry import sealing
from registry.models import (
    Correction,
    Draft,
    Identity,
    Intake,
    SecondFactor,
)
from registry.recording import Act, correct
from registry.rekeying.columns import is_sealed, sealed_tables
from registry.rekeying.lifting import lifted
from registry.rekeying.resealing import reseal

OLD, NEW, OTHER = (Fernet.generate_key().decode() for _ in range(3))
# PostgreSQL takes no rule out within the transaction of a test that has written already.
pytestmark = pytest.mark.any_engine
PLAIN = "What it says, in words äöü"


@pytest.fixture
def old_key(settings: Any) -> None:
    settings.IDENTITY_KEYS = [OLD]


@pytest.fixture
def identity(old_key: None, cast: Any) -> Identity:
    """A patient whose number was corrected, with something sealed in every table that can hold it."""
    patient = cast.knee.patient
    identity = Identity.sealed(patient, hospital_number="H-1", family_name=PLAIN)
    identity.save()
    again = Identity.sealed(patient, hospital_number="H-2", family_name="Invented")
    for name in ("hospital_number_index", "hospital_number_sealed", "family_name_sealed"):
        setattr(identity, name, getattr(again, name))
    correct(identity, act=Act(cast.surgeon, "Another number"))
    Draft.objects.create(user=cast.surgeon, page="/knees/", sealed=sealing.seal(PLAIN))
    Intake.objects.create(
        unit=cast.unit, begun_by=cast.surgeon, file_name="old.csv", file_sha256="0" * 64, mapping={},
        file_sealed=sealing.seal_bytes(PLAIN.encode()), report_sealed=sealing.seal(PLAIN),
    )  # fmt: skip
    SecondFactor.objects.create(user=cast.surgeon, name="app", sealed_key=sealing.seal(PLAIN))
    return identity


def test_every_column_that_holds_a_seal_is_known_by_its_name() -> None:
    """By the models themselves: a new sealed column is covered, or named otherwise and found here."""
    covered = {f"{each.table}.{name}" for each in sealed_tables() for name in each.columns}
    named = {
        f"{model._meta.db_table}.{field.attname}"
        for model in apps.get_models()
        for field in model._meta.concrete_fields
        if "seal" in field.attname
    }
    assert named <= covered
    assert {f"registry_correction.{side}" for side in ("before", "after")} == covered - named
    assert len(named) >= 12


def test_whoever_seals_does_so_into_a_column_that_is_known(identity: Identity) -> None:
    """Everything that looks like a Fernet token, in any column of any table, stands where rotation looks."""
    known = {(each.model, name) for each in sealed_tables() for name in each.columns}
    for model in apps.get_models():
        for field in model._meta.concrete_fields:
            if isinstance(field, (models.TextField, models.CharField, models.JSONField, models.BinaryField)):
                values = model._base_manager.values_list(field.attname, flat=True)
                found = [value for value in values if _holds_token(value)]
                assert not found or (model, field.attname) in known, f"{model.__name__}.{field.attname}"


def _holds_token(value: Any) -> bool:
    # Version 0x80 and a moment of this century begin every token (Fernet specification).
    text = bytes(value).decode("latin-1") if isinstance(value, (bytes, memoryview)) else str(value)
    return "gAAAAA" in text


def test_afterwards_all_of_it_opens_without_the_old_key(identity: Identity, settings: Any) -> None:
    before, plain = _everything(), _opened()
    settings.IDENTITY_KEYS = [NEW, OLD]
    assert reseal().unopened == []
    settings.IDENTITY_KEYS = [NEW]
    assert _opened() == plain
    assert sum(len(values) for values in plain.values()) >= 9
    assert PLAIN in str(plain)
    # Nothing but seals changed: no version, no moment, no other value.
    assert _without_seals(_everything()) == _without_seals(before)
    settings.IDENTITY_KEYS = [OLD]
    for each in sealed_tables():
        for row in each.model._base_manager.values(*each.columns):
            for value in row.values():
                for token in _tokens(value):
                    with pytest.raises(InvalidToken):
                        sealing.unseal_bytes(_as_bytes(token))


def test_the_rules_stand_again_and_hold(identity: Identity, settings: Any) -> None:
    settings.IDENTITY_KEYS = [NEW, OLD]
    rules = _triggers()
    reseal()
    assert _triggers() == rules
    for change in (
        lambda: Identity.ever.update(phone_sealed=sealing.seal("1")),
        lambda: Correction.objects.update(before={}),
    ):
        with pytest.raises(DatabaseError), transaction.atomic():
            change()


def test_broken_off_it_leaves_every_rule_in_place_and_is_taken_up_again(
    identity: Identity, settings: Any
) -> None:
    settings.IDENTITY_KEYS = [NEW, OLD]
    rules, before = _triggers(), _everything()
    with pytest.raises(KeyboardInterrupt):
        _break_off()
    assert (_triggers(), _everything()) == (rules, before)
    assert reseal().rows > 0
    assert reseal().rows == 0


def test_what_no_key_opens_is_told_and_left(identity: Identity, settings: Any) -> None:
    settings.IDENTITY_KEYS = [OTHER]
    Draft.objects.update(sealed=sealing.seal(PLAIN))
    lost = Draft.objects.get().sealed
    settings.IDENTITY_KEYS = [NEW, OLD]
    with pytest.raises(CommandError, match=r"1 values open by none .* registry_draft \d+: sealed"):
        call_command("keys", "reseal")
    assert Draft.objects.get().sealed == lost
    told = _shown()
    assert told["opened_by_none"] == 1
    assert [each["values"] > 0 for each in told["identity_keys"]] == [True, False]


def test_shown_are_fingerprints_and_counts_and_never_a_key(identity: Identity, settings: Any) -> None:
    settings.IDENTITY_KEYS = [NEW, OLD]
    told = _shown()
    assert [each["values"] for each in told["identity_keys"]] == [0, sum(map(len, _opened().values()))]
    out = StringIO()
    call_command("keys", "show", stdout=out)
    for key in (NEW, OLD, settings.IDENTITY_INDEX_KEY):
        assert key[:12] not in out.getvalue() + json.dumps(told)


def test_the_index_anew_finds_by_the_new_key_and_leaves_the_rest(identity: Identity, settings: Any) -> None:
    before = _everything()
    settings.IDENTITY_INDEX_KEY = "another key of an invented hospital"
    rules = _triggers()
    out = StringIO()
    call_command("keys", "reindex", "--json", stdout=out)
    assert json.loads(out.getvalue()) == {"rows": 2}
    found = Identity.objects.get()
    assert found.hospital_number_index == sealing.blind_index(found.unit_id, "h-2")
    noted = Correction.objects.get(row_table="registry_identity")
    assert noted.before["hospital_number_index"] == sealing.blind_index(found.unit_id, "H-1")
    assert noted.after["hospital_number_index"] == found.hospital_number_index
    assert _without(_everything(), "hospital_number_index") == _without(before, "hospital_number_index")
    assert _triggers() == rules


def test_the_index_is_left_as_it_is_when_one_identity_does_not_open(
    identity: Identity, settings: Any
) -> None:
    before = _everything()
    settings.IDENTITY_KEYS, settings.IDENTITY_INDEX_KEY = [OTHER], "another key of an invented hospital"
    with pytest.raises(CommandError, match="Nothing was changed"):
        call_command("keys", "reindex")
    assert _everything() == before


def _break_off() -> None:
    with lifted("registry_identity"):
        Identity.ever.update(phone_sealed=sealing.seal("1"))
        raise KeyboardInterrupt


def _shown() -> dict[str, Any]:
    out = StringIO()
    call_command("keys", "show", "--json", stdout=out)
    return dict(json.loads(out.getvalue()))


def _everything() -> dict[str, list[dict[str, Any]]]:
    tables = [each.model for each in sealed_tables()]
    return {model.__name__: list(model._base_manager.order_by("pk").values()) for model in tables}


def _without_seals(told: Any) -> Any:
    if isinstance(told, dict):
        return {name: _without_seals(value) for name, value in told.items() if not is_sealed(name)}
    return [_without_seals(each) for each in told] if isinstance(told, list) else told


def _without(told: Any, name: str) -> Any:
    if isinstance(told, dict):
        return {key: _without(value, name) for key, value in told.items() if key != name}
    return [_without(each, name) for each in told] if isinstance(told, list) else told


def _opened() -> dict[str, list[str]]:
    """All that is sealed, opened by today's keys, by table and column."""
    return {
        f"{each.table}.{name}": [
            sealing.unseal_bytes(_as_bytes(token)).decode()
            for value in each.model._base_manager.order_by("pk").values_list(name, flat=True)
            for token in _tokens(value)
        ]
        for each in sealed_tables()
        for name in each.columns
    }


def _tokens(value: Any) -> list[Any]:
    """Found by how a token looks, not by the name of what holds it."""
    parts = list(value.values()) if isinstance(value, dict) else [value]
    return [part for part in parts if part and _holds_token(part)]


def _as_bytes(token: Any) -> bytes:
    return token.encode() if isinstance(token, str) else bytes(token)


def _triggers() -> list[Any]:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' ORDER BY name"
            if connection.vendor == "sqlite"
            else "SELECT tgname, tgenabled::text FROM pg_trigger WHERE NOT tgisinternal ORDER BY tgname"
        )
        return list(cursor.fetchall())
