"""A backup taken: copied while others write, checked by restoring it, encrypted, and only then seen."""

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from django.utils import timezone

from registry.backup.beside import Store, stores
from registry.backup.checking import check_parts, problems_beside
from registry.backup.engines import Engine, engine_of, said_in_words
from registry.backup.engines.aliases import Config
from registry.backup.files import refuse_standing, sha256_of, whole_file, workplace
from registry.backup.manifest import DATABASE, MANIFEST, SEALS, Manifest, index_probe, seals_of
from registry.backup.opening import opened
from registry.backup.refusals import BackupRefused
from registry.backup.sealing import Identity, Recipient, encrypt
from registry.telling import Tell, silently

STEPS = 4
NO_BACKUP = "No backup was written."
NOT_SOUND = (
    "What would be copied is not sound: {words}. No backup was written. Mend it, or take the backup all the "
    "same with --despite-problems; it then says so itself."
)


@dataclass(frozen=True, slots=True)
class Taken:
    """A backup that stands."""

    path: Path
    sha256: str
    bytes: int
    checked: bool
    manifest: Manifest


def take(
    config: Config,
    path: Path,
    recipients: list[Recipient],
    *,
    identities: list[Identity] | None = None,
    check: bool = True,
    despite_problems: bool = False,
    tell: Tell = silently,
) -> Taken:
    """Write a backup of a database, and of what lies beside it, to a new file.

    Parameters
    ----------
    identities
        Private keys: with them the check begins with the encrypted file, without them with its parts.

    Raises
    ------
    BackupRefused, FileExistsError, OSError
        No file stands under that name that did not stand there before.
    """
    refuse_standing(path)
    engine = engine_of(config)
    with workplace() as folder, said_in_words(NO_BACKUP):
        tell("Copying", 0, STEPS)
        manifest = _copied(engine, folder, despite_problems)
        if check and not identities:
            tell("Restoring the copy", 1, STEPS)
            check_parts(engine, folder, manifest, NO_BACKUP)
        with whole_file(path) as file:
            tell("Encrypting", 2, STEPS)
            digest = encrypt(_parts(folder, manifest), file, recipients)
            file.flush()
            if check and identities:
                tell("Restoring the backup", 3, STEPS)
                with workplace() as other:
                    found = opened(Path(file.name), identities, other)
                    check_parts(engine, other, found, NO_BACKUP)
    return Taken(path, digest, path.stat().st_size, check, manifest)


def _copied(engine: Engine, folder: Path, despite_problems: bool) -> Manifest:
    """Every part of one state of the database, in a folder, and what they hold."""
    with engine.snapshot() as using:
        engine.dump(using, folder / DATABASE)
        facts = engine.facts(using)
        for store in stores():
            _copy_store(store, using, folder / store.name)
        problems = problems_beside(using, folder)
        engine_version = engine.version(using)
    if problems and not despite_problems:
        raise BackupRefused(NOT_SOUND.format(words="; ".join(problems[:5])))
    manifest = Manifest(
        software=f"Rimward {version('rimward')}",
        made_at=timezone.now().isoformat(timespec="seconds"),
        engine=engine.vendor,
        engine_version=engine_version,
        name=engine.name,
        facts=facts,
        parts={name: sha256_of(folder / name) for name in _names(folder)},
        index_probe=index_probe(),
        problems=problems,
    )
    content = manifest.as_bytes()
    (folder / MANIFEST).write_bytes(content)
    (folder / SEALS).write_bytes(seals_of(content))
    return manifest


def _copy_store(store: Store, using: str, into: Path) -> None:
    """The files that the copied state names; what is missing is told by the store itself."""
    into.mkdir()
    for name in store.expected(using):
        source = store.folder() / name
        if source.exists():
            shutil.copyfile(source, into / name)


def _names(folder: Path) -> Iterator[str]:
    yield DATABASE
    for store in stores():
        yield from (f"{store.name}/{path.name}" for path in sorted((folder / store.name).iterdir()))


def _parts(folder: Path, manifest: Manifest) -> Iterator[tuple[str, Path]]:
    for name in (MANIFEST, SEALS, *manifest.parts):
        yield name, folder / name
