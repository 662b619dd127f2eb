"""The command of archives: what becomes of identities has to be said, and refusals are in words."""

import gzip
import io
import json
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from cryptography.fernet import Fernet
from django.core.management import CommandError, call_command
from django.db import transaction

from registry.models import Identity, Patient
from tests.conftest import Cast
from tests.registry.one_of_each import one_of_each


def said(*arguments: Any) -> str:
    out = io.StringIO()
    call_command("archive", *map(str, arguments), stdout=out)
    return out.getvalue()


def refused(*arguments: Any) -> str:
    with pytest.raises(CommandError) as refusal:
        said(*arguments)
    assert refusal.value.returncode == 1
    return str(refusal.value)


@pytest.fixture
def key(tmp_path: Path) -> Path:
    path = tmp_path / "archive.key"
    path.write_text(said("key"))
    return path


@pytest.fixture
def file(request: pytest.FixtureRequest, db: None, tmp_path: Path, key: Path) -> Path:
    """An archive of one row of each kind, whose record is gone since."""
    path = tmp_path / "record.jsonl.gz"
    with transaction.atomic():
        one_of_each(request.getfixturevalue("cast"))
        counts = json.loads(said("write", path, "--key-file", key, "--json"))
        assert counts["visit"] == counts["identity"] == 1
        assert "not empty: user, unit" in refused("read", path, "--key-file", key)
        transaction.set_rollback(True)
    return path


def test_an_empty_record_takes_an_archive_in(file: Path, key: Path) -> None:
    assert "Sound: " in said("check", file)
    assert "The archive holds identities" in refused("read", file)
    assert not Patient.objects.exists()
    told = said("read", file, "--key-file", key)
    assert told.startswith("Read: ")
    assert told.rstrip().endswith(f"tables, {file}.")
    assert Identity.objects.get().opened()["hospital_number"] == "N-1"


@pytest.mark.django_db
@pytest.mark.any_engine
def test_what_becomes_of_identities_has_to_be_said(cast: Cast, tmp_path: Path, key: Path) -> None:
    file = tmp_path / "record.jsonl.gz"
    assert "Say what becomes of identities" in refused("write", file)
    assert "Say what becomes" in refused("write", file, "--key-file", key, "--without-identities")
    assert not file.exists()
    said("write", file, "--without-identities")
    assert json.loads(gzip.decompress(file.read_bytes()).splitlines()[0])["identities"] is False


@pytest.mark.django_db
@pytest.mark.any_engine
def test_what_is_wrong_is_told_to_people_and_machines(cast: Cast, tmp_path: Path, key: Path) -> None:
    file = tmp_path / "record.jsonl.gz"
    assert f"{file}: No such file or directory. Give another file." in refused("check", file)
    assert f"{tmp_path}: " in refused("check", tmp_path)
    file.write_bytes(b"no archive")
    words = "Line 1, the line: the file is damaged or no archive"
    assert refused("check", file).startswith(f"archive: {words}")
    assert json.loads(refused("check", file, "--json"))["refused"].startswith(words)
    assert "it stands already. Give another file." in refused("write", file, "--key-file", key)
    secret = tmp_path / "no.key"
    secret.write_text("walnut-crescent-47")
    told = refused("read", file, "--key-file", secret)
    assert told == f"archive: --key-file {secret} holds no key. Make one with 'archive key'."
    assert (
        "cannot be read"
        in json.loads(refused("read", file, "--key-file", file.with_name("x"), "--json"))["refused"]
    )


@pytest.mark.parametrize(
    "arguments", [[], ["write"], ["read"], ["check"], ["list", "file"], ["schema", "--json"]]
)
def test_a_call_that_is_none_is_refused(arguments: list[str]) -> None:
    with pytest.raises(CommandError):
        said(*arguments)


def test_a_key_is_a_new_one_each_time() -> None:
    keys = {said("key") for _ in range(2)}
    assert len({Fernet(key) for key in keys}) == 2


def test_the_schema_is_printed_whole() -> None:
    document = json.loads(said("schema"))
    jsonschema_rs.meta.validate(document)
    assert document["$schema"] == "https://json-schema.org/draft/2020-12/schema"
