"""A backup put back, whole or not at all."""

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

import dj_database_url
from django.core.management.base import CommandError

from registry.backup.engines.aliases import Config, config_of
from registry.backup.refusals import BackupRefused
from registry.backup.restoring import Restored, restore
from registry.backup.sealing import identities_in
from registry.management.example import CommandWithExample
from registry.management.progress import progress


class Command(CommandWithExample):
    help = (
        "Put a backup back. It is opened and verified whole, restored beside the database, held to what was "
        "copied, and only then takes its place. Stop the site first."
    )
    example = "restore /backups/rimward-2026-03-01.age --identity /media/key/backup.key"
    # It works on databases that may not be migrated, or not be there.
    requires_system_checks: list[str] = []  # noqa: RUF012 - as Django declares it

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, metavar="FILE", help="a file that 'backup' wrote")
        parser.add_argument(
            "--identity", type=Path, required=True, metavar="KEYFILE", help="the private key that opens it"
        )
        parser.add_argument(
            "--into", metavar="URL", help="another database than that of DATABASE_URL, which may be new"
        )
        parser.add_argument(
            "--overwrite",
            default="",
            metavar="NAME",
            help="name of the database, typed out, when it holds rows; it is kept aside",
        )
        parser.add_argument(
            "--without-keys",
            action="store_true",
            help="also when a key that it was made with is lost; nothing then shows where it comes from",
        )
        parser.add_argument("--json", action="store_true", help="print what was restored as JSON")

    def handle(self, **options: Any) -> None:
        try:
            with progress() as tell:
                restored = restore(
                    options["file"],
                    identities_in(options["identity"]),
                    _config(options["into"]),
                    overwrite=options["overwrite"],
                    without_keys=options["without_keys"],
                    tell=tell,
                )
        except BackupRefused as refusal:
            raise CommandError(f"restore: {refusal}") from refusal
        except OSError as error:
            where = error.filename or "writing"
            raise CommandError(
                f"restore: {where}: {error.strerror or error}. The database was not changed."
            ) from error
        self._tell(restored, as_json=options["json"])

    def _tell(self, restored: Restored, *, as_json: bool) -> None:
        manifest = restored.manifest
        told = {
            "database": restored.name,
            "made_at": manifest.made_at,
            "software": manifest.software,
            "rows": manifest.facts.rows,
            "kept_aside": restored.kept_aside,
            "to_do": restored.to_do,
        }
        if as_json:
            self.stdout.write(json.dumps(told))
            return
        total = sum(manifest.facts.rows.values())
        self.stdout.write(f"{restored.name}: {total:,} rows as of {manifest.made_at}, verified.")
        if restored.kept_aside:
            self.stdout.write(
                f"What stood there is kept as {restored.kept_aside}. Remove it when all is well."
            )
        for each in restored.to_do:
            self.stdout.write(f"- {each}")


def _config(url: str | None) -> Config:
    """The database to put it into; the site's own options go along when it is of the same engine."""
    own = config_of()
    if url is None:
        return own
    try:
        named: Config = dict(dj_database_url.parse(url))
    except (ValueError, KeyError) as error:
        raise CommandError(
            "restore: --into is no address of a database. Give postgresql://... or sqlite:///..."
        ) from error
    if not str(named.get("ENGINE", "")).endswith((".sqlite3", ".postgresql")):
        raise CommandError(
            "restore: --into is neither SQLite nor PostgreSQL. Give postgresql://... or sqlite:///..."
        )
    if named["ENGINE"] == own["ENGINE"]:
        return {**named, "OPTIONS": {**own.get("OPTIONS", {}), **named.get("OPTIONS", {})}}
    return named
