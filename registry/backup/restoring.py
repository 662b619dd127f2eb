"""A backup put back: proved whole, restored beside what stands, verified there, and only then named."""

from dataclasses import dataclass
from pathlib import Path

from django.db import connections
from django.db.migrations.loader import MigrationLoader
from django.utils import timezone

from registry.backup.beside import stores
from registry.backup.checking import refuse_differing
from registry.backup.engines import Engine, engine_of, said_in_words
from registry.backup.engines.aliases import Config, alias_for
from registry.backup.files import copy_whole, sha256_of, workplace
from registry.backup.manifest import DATABASE, Manifest, index_probe
from registry.backup.opening import opened
from registry.backup.refusals import BackupRefused
from registry.backup.sealing import Identity
from registry.telling import Tell, silently

STEPS = 4
UNTOUCHED = "Nothing was touched."
NOT_CHANGED = "Its place was not changed."
OTHER_ENGINE = (
    "The backup is of {theirs}, the database is {ours}. Restore it on its own engine; from one engine to the "
    "other leads 'archive write' and 'archive read'. Nothing was touched."
)
NEWER = (
    "The backup was made by {software}, with migrations that this release does not know ({names}). Restore "
    "it with that release. Nothing was touched."
)
HOLDS_ROWS = (
    "The database {name} holds {rows:,} rows. To put the backup in its place, say its name: --overwrite "
    "{name}. It is kept aside under another name, not removed. Nothing was touched."
)
OTHER_NAME = "--overwrite names {said}, but the database is {name}. Type its name. Nothing was touched."
OTHER_FILE = (
    "{path} stands in the store, but is not the file of that name in the backup. Move it away first. "
    "Nothing was touched."
)
RESTART = "Start the site again, all of its processes: figures kept in memory are of the record before."
MIGRATE = "The backup is of an earlier release: run 'manage.py migrate' before the site starts."
REINDEX = (
    "IDENTITY_INDEX_KEY is not the one of the backup, so no hospital number will be found: put that key "
    "back, or run 'manage.py keys reindex'."
)
ROLES = "Rights of database roles do not travel: run 'manage.py roles' where the site has a role of its own."
LATER = (
    "{count} files in the store '{store}' are not in the backup: {names}. They left the house after it was "
    "made, so the restored ledger does not know them. They stay where they are; write down what they are."
)
ERASED = (
    "{count} patients were erased after the backup was made, and stand in it again: {keys}. Write the list "
    "with 'erase list' from the database kept aside, and run 'erase again' here before anybody works on it."
)


@dataclass(frozen=True, slots=True)
class Restored:
    """A backup in its place, where the database before it is kept, and what is still to be done."""

    manifest: Manifest
    name: str
    kept_aside: str
    to_do: list[str]


def restore(
    path: Path,
    identities: list[Identity],
    config: Config,
    *,
    overwrite: str = "",
    without_keys: bool = False,
    tell: Tell = silently,
) -> Restored:
    """Put a backup in the place of a database that is empty, or that is named to be overwritten.

    Raises
    ------
    BackupRefused, OSError
        The database stands as it stood.
    """
    connections.close_all()
    target = engine_of(config)
    with workplace() as folder, said_in_words(NOT_CHANGED):
        tell("Opening", 0, STEPS)
        manifest = opened(path, identities, folder, without_keys=without_keys)
        _refuse_unfitting(manifest, target)
        holds_rows = _refuse_unnamed(target, overwrite)
        target.refuse_if_in_use()
        _refuse_other_files(folder)
        tell("Restoring beside", 1, STEPS)
        beside = target.restore_beside(folder / DATABASE)
        try:
            tell("Verifying", 2, STEPS)
            with alias_for(beside.config) as using:
                refuse_differing(beside, using, folder, manifest, UNTOUCHED)
            tell("Changing places", 3, STEPS)
            _fill_stores(folder)
            to_do = _to_do(manifest, target, beside, folder)
            target.refuse_if_in_use()
        except BaseException:
            beside.drop()
            raise
        kept = beside.take_place_of(target, f"before-{timezone.now():%Y%m%dT%H%M%S}")
    if kept and not holds_rows:
        kept.drop()
        kept = None
    return Restored(manifest, target.name, kept.name if kept else "", to_do)


def _refuse_unfitting(manifest: Manifest, target: Engine) -> None:
    if manifest.engine != target.vendor:
        raise BackupRefused(OTHER_ENGINE.format(theirs=manifest.engine, ours=target.vendor))
    if newer := sorted(set(manifest.facts.migrations) - _known_migrations()):
        raise BackupRefused(NEWER.format(software=manifest.software, names=", ".join(newer[:5])))


def _refuse_unnamed(target: Engine, overwrite: str) -> bool:
    """Whether the database holds rows, which then was named to be overwritten."""
    rows = target.rows() if target.exists() else 0
    if overwrite and overwrite != target.name:
        raise BackupRefused(OTHER_NAME.format(said=overwrite, name=target.name))
    if rows and not overwrite:
        raise BackupRefused(HOLDS_ROWS.format(name=target.name, rows=rows))
    return bool(rows)


def _refuse_other_files(folder: Path) -> None:
    for store in stores():
        for path in _files(folder / store.name):
            standing = store.folder() / path.name
            if standing.exists() and sha256_of(standing) != sha256_of(path):
                raise BackupRefused(OTHER_FILE.format(path=standing))


def _fill_stores(folder: Path) -> None:
    """Before the database that names them is in place; a file more than it names does no harm."""
    for store in stores():
        for path in _files(folder / store.name):
            if not (store.folder() / path.name).exists():
                copy_whole(path, store.folder() / path.name)


def _known_migrations() -> set[str]:
    """Those of this release, as "app.name"."""
    return {f"{app}.{name}" for app, name in MigrationLoader(None).disk_migrations}


def _to_do(manifest: Manifest, target: Engine, beside: Engine, folder: Path) -> list[str]:
    """What is still to be done by hand once `beside` is in the place of `target`."""
    said = [RESTART]
    if _known_migrations() - set(manifest.facts.migrations):
        said.append(MIGRATE)
    if manifest.index_probe != index_probe():
        said.append(REINDEX)
    if target.vendor == "postgresql":
        said.append(ROLES)
    for store in stores():
        later = {path.name for path in store.folder().glob("*.*")} - {
            path.name for path in _files(folder / store.name)
        }
        if later:
            names = ", ".join(sorted(later))
            said.append(LATER.format(count=len(later), store=store.name, names=names))
    if target.exists() and (erased := _erased(target) - _erased(beside)):
        said.append(ERASED.format(count=len(erased), keys=", ".join(sorted(erased))))
    return said + manifest.problems


def _erased(engine: Engine) -> set[str]:
    """Keys of the patients whose record was erased, as a database tells; none where it knows no erasure."""
    with alias_for(engine.config) as using, connections[using].cursor() as cursor:
        if "registry_erasure" not in connections[using].introspection.table_names(cursor):
            return set()
        cursor.execute("SELECT patient_uuid FROM registry_erasure")
        return {str(key) for (key,) in cursor.fetchall()}


def _files(folder: Path) -> list[Path]:
    return sorted(folder.iterdir()) if folder.exists() else []
