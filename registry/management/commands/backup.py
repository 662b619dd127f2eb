"""The whole installation's data to one encrypted file, checked by restoring it."""

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import CommandError
from django.utils import timezone

from registry.backup.engines.aliases import config_of
from registry.backup.refusals import BackupRefused
from registry.backup.sealing import identities_in, new_pair, recipients_of
from registry.backup.taking import Taken, take
from registry.management.example import CommandWithExample
from registry.management.progress import progress

WHERE_TO_KEEP = """\
# Keep this file where a restore will be made, and a second copy of it on paper or in a safe: never on the
# machine that takes the backups, and never beside them. Without it no backup opens; whoever has it opens all.
# The line 'public key' goes into BACKUP_RECIPIENTS of the site."""
KEYS_APART = (
    "No key is in it. Keep IDENTITY_KEYS, IDENTITY_INDEX_KEY, RELEASE_KEYS and SECRET_KEY apart from it, "
    "with a copy: without them no identity in it can be read."
)


def _named(path: Path) -> Path:
    return path / f"rimward-{timezone.now():%Y-%m-%dT%H%M%SZ}.age" if path.is_dir() else path


class Command(CommandWithExample):
    help = (
        "Write the database and the released packages, as they stand at one moment, to one encrypted file "
        "while the site runs. The copy is restored into a scratch database and held to the original first."
    )
    example = "backup /backups/rimward-2026-03-01.age"
    # A backup is most needed where something else is wrong.
    requires_system_checks: list[str] = []  # noqa: RUF012 - as Django declares it

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "file",
            nargs="?",
            type=Path,
            metavar="FILE",
            help="the new file, in a folder that stands; or the folder, where it is named by the moment",
        )
        parser.add_argument(
            "--make-key", action="store_true", help="print a new pair of keys and nothing else"
        )
        parser.add_argument(
            "--recipient",
            action="append",
            metavar="AGE1...",
            help="public key of who can open it, once or more; those of BACKUP_RECIPIENTS unless given",
        )
        parser.add_argument(
            "--identity",
            type=Path,
            metavar="FILE",
            help="private key: the check then begins with the encrypted file",
        )
        parser.add_argument(
            "--no-check", action="store_true", help="do not restore it into a scratch database"
        )
        parser.add_argument(
            "--despite-problems",
            action="store_true",
            help="also when the ledger does not hold or a package is missing; the backup says so",
        )
        parser.add_argument("--json", action="store_true", help="print what it holds as JSON")

    def handle(self, **options: Any) -> None:
        if options["make_key"]:
            self._make_key(as_json=options["json"])
            return
        path: Path | None = options["file"]
        if path is None:
            raise CommandError("backup: FILE is missing. Name the new file, or ask for --make-key.")
        try:
            recipients = recipients_of(options["recipient"] or settings.BACKUP_RECIPIENTS)
            with progress() as tell:
                taken = take(
                    config_of(),
                    _named(path),
                    recipients,
                    identities=identities_in(options["identity"]) if options["identity"] else None,
                    check=not options["no_check"],
                    despite_problems=options["despite_problems"],
                    tell=tell,
                )
        except BackupRefused as refusal:
            raise CommandError(f"backup: {refusal}") from refusal
        except OSError as error:
            raise CommandError(
                f"backup: {error.filename or 'writing'}: {error.strerror or error}. No backup was written."
            ) from error
        self._tell(taken, as_json=options["json"])

    def _make_key(self, *, as_json: bool) -> None:
        secret, public = new_pair()
        if as_json:
            self.stdout.write(json.dumps({"private_key": secret, "public_key": public}))
            return
        self.stdout.write(f"{WHERE_TO_KEEP}\n# public key: {public}\n{secret}")

    def _tell(self, taken: Taken, *, as_json: bool) -> None:
        manifest = taken.manifest
        told = {
            "path": str(taken.path),
            "sha256": taken.sha256,
            "bytes": taken.bytes,
            "checked": taken.checked,
            "made_at": manifest.made_at,
            "engine": manifest.engine,
            "rows": sum(manifest.facts.rows.values()),
            "packages": len(manifest.parts) - 1,
            "problems": manifest.problems,
        }
        if as_json:
            self.stdout.write(json.dumps(told))
            return
        checked = "restored into a scratch database and equal" if taken.checked else "NOT checked"
        self.stdout.write(
            f"{taken.path}: {told['rows']:,} rows and {told['packages']} packages, {taken.bytes:,} bytes, "
            f"{checked}.\nSHA-256 {taken.sha256}\n{KEYS_APART}"
        )
        for problem in manifest.problems:
            self.stderr.write(f"Not sound: {problem}")
