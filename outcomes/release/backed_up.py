"""The store of packages, as a backup takes it along: what the ledger names, and whether all of it holds."""

from pathlib import Path

from outcomes.models import LedgerEntry
from outcomes.release import ledger, store
from registry.backup.beside import add
from registry.backup.files import sha256_of


class Packages:
    """Packages of releases; see registry.backup.beside.Store."""

    name = "releases"

    def folder(self) -> Path:
        return store.folder()

    def expected(self, using: str) -> dict[str, str]:
        # A package is whole before its entry is committed, but may still wait for its place.
        kept = [entry for entry in LedgerEntry.objects.using(using) if entry.said.get("kept")]
        for entry in kept:
            store.publish(entry.uuid)
        return {f"{entry.uuid}.zip": entry.said["sha256"] for entry in kept}

    def problems(self, using: str, folder: Path) -> list[str]:
        entries = list(LedgerEntry.objects.using(using).order_by("number"))
        expected = self.expected(using)
        missing = [name for name in expected if not (folder / name).exists()]
        other = [
            name for name in expected if name not in missing and sha256_of(folder / name) != expected[name]
        ]
        return [
            *ledger.problems_of_chain(entries),
            *(f"{name}: a package that the ledger names is missing" for name in missing),
            *(f"{name}: it is not the package that was released" for name in other),
        ]


def install() -> None:
    """Let every backup take the packages along."""
    add(Packages())
