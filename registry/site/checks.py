"""System checks: misconfiguration is reported by id before it can hurt."""

from typing import Any

from cryptography.fernet import Fernet
from django.conf import settings
from django.core.checks import CheckMessage, Error, register


@register()
def identity_keys_are_fernet_keys(**_: Any) -> list[CheckMessage]:
    """rimward.E001: every identity key must be a Fernet key, or identities could not be sealed."""
    return [
        Error(
            f"IDENTITY_KEYS entry {place} is not a Fernet key (32 bytes, url-safe base64).",
            hint="DEVELOPERS.md, under Settings, says how to make one.",
            id="rimward.E001",
        )
        for place, key in enumerate(settings.IDENTITY_KEYS, start=1)
        if not _is_fernet_key(key)
    ]


@register()
def keys_differ(**_: Any) -> list[CheckMessage]:
    """rimward.E002: one leaked key must not open another lock."""
    keys = [settings.SECRET_KEY, settings.IDENTITY_INDEX_KEY, settings.RELEASE_KEY, *settings.IDENTITY_KEYS]
    if len(set(keys)) == len(keys):
        return []
    return [
        Error(
            "Two of SECRET_KEY, IDENTITY_KEYS, IDENTITY_INDEX_KEY and RELEASE_KEY are equal.",
            hint="Give each its own random value.",
            id="rimward.E002",
        )
    ]


@register()
def database_is_supported(**_: Any) -> list[CheckMessage]:
    """rimward.E003: the record's rules are written for SQLite and PostgreSQL."""
    engine = settings.DATABASES["default"]["ENGINE"]
    if engine.endswith((".sqlite3", ".postgresql")):
        return []
    return [
        Error(
            f"Database engine {engine} is not supported.", hint="Use SQLite or PostgreSQL.", id="rimward.E003"
        )
    ]


@register()
def host_names_are_named(**_: Any) -> list[CheckMessage]:
    """rimward.E004: answering to any host name lets a forged one into links and redirects."""
    if not settings.PRODUCTION or "*" not in settings.ALLOWED_HOSTS:
        return []
    return [
        Error(
            "ALLOWED_HOSTS contains '*', so the site answers to any host name.",
            hint="Name the hosts it is reached by, separated by commas.",
            id="rimward.E004",
        )
    ]


def _is_fernet_key(key: str) -> bool:
    try:
        Fernet(key)
    except ValueError:
        return False
    return True
