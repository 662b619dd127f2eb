"""Databases besides the site's own, under a name of their own for as long as they are needed."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from uuid import uuid4

from django.db import DEFAULT_DB_ALIAS, connections

Config = dict[str, Any]


def config_of(using: str = DEFAULT_DB_ALIAS) -> Config:
    """How a database is reached, whatever a test made of its name."""
    return dict(connections[using].settings_dict)


def complete(config: Config) -> Config:
    """A configuration with Django's own values for all that it leaves out."""
    return dict(connections.configure_settings({DEFAULT_DB_ALIAS: dict(config)})[DEFAULT_DB_ALIAS])


@contextmanager
def alias_for(config: Config) -> Iterator[str]:
    """A new connection to a database by an alias of its own."""
    alias = f"backup-{uuid4().hex[:12]}"
    connections.settings[alias] = complete(config)
    try:
        yield alias
    finally:
        connections[alias].close()
        del connections[alias]
        del connections.settings[alias]
