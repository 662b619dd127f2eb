"""Each system check speaks when it should and is silent otherwise."""

from typing import Any

import pytest
from cryptography.fernet import Fernet
from django.core.checks import run_checks


def spoken() -> set[str | None]:
    """Ids of everything the site's own checks say."""
    return {message.id for message in run_checks() if str(message.id).startswith("rimward.")}


def test_nothing_is_said_of_the_settings_as_they_are() -> None:
    assert spoken() == set()


@pytest.mark.parametrize("key", ["", "short", "A" * 43, "\N{SNOWMAN}" * 44])
def test_e001_an_identity_key_that_is_no_fernet_key(settings: Any, key: str) -> None:
    settings.IDENTITY_KEYS = [Fernet.generate_key().decode(), key]
    (message,) = [message for message in run_checks() if message.id == "rimward.E001"]
    assert "entry 2" in message.msg
    settings.IDENTITY_KEYS = [Fernet.generate_key().decode()]
    assert spoken() == set()


@pytest.mark.parametrize("name", ["SECRET_KEY", "IDENTITY_INDEX_KEY", "RELEASE_KEY"])
def test_e002_one_key_for_two_locks(settings: Any, name: str) -> None:
    setattr(settings, name, settings.IDENTITY_KEYS[0])
    assert spoken() == {"rimward.E002"}
    setattr(settings, name, "a value of its own")
    assert spoken() == set()


def test_e004_any_host_name_in_production(settings: Any) -> None:
    settings.ALLOWED_HOSTS = ["rimward.example.org", "*"]
    assert spoken() == set()
    settings.PRODUCTION = True
    assert spoken() == {"rimward.E004"}
    settings.ALLOWED_HOSTS = ["rimward.example.org", ".example.org"]
    assert spoken() == set()


def test_e003_a_database_the_rules_are_not_written_for(
    settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(settings.DATABASES["default"], "ENGINE", "django.db.backends.mysql")
    assert spoken() == {"rimward.E003"}
    for engine in ("django.db.backends.sqlite3", "django.db.backends.postgresql"):
        monkeypatch.setitem(settings.DATABASES["default"], "ENGINE", engine)
        assert spoken() == set()
