"""A backup's parts held to what its manifest says, by restoring them into a database that goes afterwards."""

from pathlib import Path

from registry.backup.beside import stores
from registry.backup.engines import Engine
from registry.backup.manifest import DATABASE, Manifest
from registry.backup.refusals import BackupRefused

NOT_EQUAL = "Restored into a scratch database, the backup is not what was copied: {words}. {ending}"


def check_parts(engine: Engine, folder: Path, manifest: Manifest, ending: str) -> None:
    """Restore the parts in a folder into a scratch database and refuse on any difference."""
    with engine.scratch(folder / DATABASE) as using:
        refuse_differing(engine, using, folder, manifest, ending)


def refuse_differing(engine: Engine, using: str, folder: Path, manifest: Manifest, ending: str) -> None:
    """Refuse a restored database that differs from what was copied, or that holds what cannot be."""
    said = manifest.facts.differences(engine.facts(using)) + engine.problems(using)
    let_pass = set(manifest.problems)
    said += [words for words in problems_beside(using, folder) if words not in let_pass]
    if said:
        raise BackupRefused(NOT_EQUAL.format(words="; ".join(said[:5]), ending=ending))


def problems_beside(using: str, folder: Path) -> list[str]:
    """What does not hold of the stores beside a database, whose files lie in a folder of a backup."""
    return [words for store in stores() for words in store.problems(using, folder / store.name)]
