"""What lies beside the database and belongs to it. Apps say so here; the backup takes it along."""

from pathlib import Path
from typing import Protocol


class Store(Protocol):
    """A folder of files that the database names, each written once and never changed."""

    # Its folder in a backup.
    name: str

    def folder(self) -> Path:
        """Where the files lie."""

    def expected(self, using: str) -> dict[str, str]:
        """SHA-256 by file name of all that the database of an alias says must lie there."""

    def problems(self, using: str, folder: Path) -> list[str]:
        """What does not hold of that database and of the files in a folder, in words."""


_stores: dict[str, Store] = {}


def add(store: Store) -> None:
    """Let every backup take this store along."""
    _stores[store.name] = store


def stores() -> list[Store]:
    """Every store that belongs to the database."""
    return list(_stores.values())
