"""The whole record to one file, and from it into an empty installation."""

import json
from argparse import ArgumentParser
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from cryptography.fernet import Fernet
from django.core.management.base import CommandError
from rich.console import Console
from rich.progress import Progress

from registry.archive.checking import BadArchive, check
from registry.archive.reading import CannotRead, read
from registry.archive.schema import schema
from registry.archive.sealing import WrongKey
from registry.archive.writing import write
from registry.management.example import CommandWithExample, add_act
from registry.telling import Tell

IDENTITIES_UNSAID = (
    "Say what becomes of identities: --key-file FILE seals them in the archive ('archive key' makes one), "
    "--without-identities leaves them out."
)


class Command(CommandWithExample):
    help = (
        "Write the whole record to one file, check such a file, and read it into an empty installation, "
        "whole or not at all. Whoever has the file and its key has every identity in it: keep them apart."
    )
    example = "archive write record.jsonl.gz --key-file archive.key"

    def add_arguments(self, parser: ArgumentParser) -> None:
        acts = parser.add_subparsers(dest="act", required=True)
        writes = add_act(acts, "write", "Write the record as it stands now.", self.example)
        reads = add_act(
            acts,
            "read",
            "Read an archive into this record, which must be empty.",
            "archive read record.jsonl.gz --key-file archive.key",
        )
        checks = add_act(
            acts, "check", "Go through an archive without reading it in.", "archive check record.jsonl.gz"
        )
        add_act(acts, "schema", "Print the JSON Schema (2020-12) of its lines.", "archive schema")
        add_act(acts, "key", "Print a new key for an archive.", "archive key > archive.key")
        for each in (writes, reads, checks):
            each.add_argument("file", type=Path, metavar="FILE", help="JSON Lines, gzipped")
            each.add_argument("--json", action="store_true", help="print rows by table as JSON")
        for each in (writes, reads):
            each.add_argument(
                "--key-file", type=Path, metavar="FILE", help="file with the key that seals identities in it"
            )
        writes.add_argument(
            "--without-identities",
            action="store_true",
            help="leave out who patients are, and their own words; without this a key is needed",
        )

    def handle(self, **options: Any) -> None:
        acts: dict[str, Callable[..., None]] = {
            "write": self._write,
            "read": self._read,
            "check": self._check,
            "schema": lambda **_: self.stdout.write(json.dumps(schema(), indent=1)),
            "key": lambda **_: self.stdout.write(Fernet.generate_key().decode()),
        }
        try:
            acts[options["act"]](**options)
        except (BadArchive, CannotRead, WrongKey) as refusal:
            raise _refused(str(refusal), options) from refusal
        except OSError as error:
            words = f"{options['file']}: {error.strerror or error}. Give another file."
            raise _refused(words, options) from error

    def _write(self, **options: Any) -> None:
        key = _key(options)
        if (key is None) != options["without_identities"]:
            raise _refused(IDENTITIES_UNSAID, options)
        with _progress() as tell:
            self._told("Written", write(options["file"], key, tell), options)

    def _read(self, **options: Any) -> None:
        with _progress() as tell:
            self._told("Read", read(options["file"], _key(options), tell), options)

    def _check(self, **options: Any) -> None:
        self._told("Sound", check(options["file"]).header["rows"], options)

    def _told(self, what: str, rows: dict[str, int], options: dict[str, Any]) -> None:
        if options["json"]:
            self.stdout.write(json.dumps(rows))
            return
        full = sum(count > 0 for count in rows.values())
        self.stdout.write(f"{what}: {sum(rows.values()):,} rows of {full} tables, {options['file']}.")


def _refused(words: str, options: Mapping[str, Any]) -> CommandError:
    said = json.dumps({"refused": words}) if options["json"] else f"archive: {words}"
    return CommandError(said)


def _key(options: Mapping[str, Any]) -> Fernet | None:
    path: Path | None = options["key_file"]
    if path is None:
        return None
    try:
        return Fernet(path.read_text(encoding="ascii").strip())
    except OSError as error:
        words = f"--key-file {path} cannot be read ({error.strerror}). Make one with 'archive key'."
        raise _refused(words, options) from error
    except ValueError as error:
        # The error may show what stands in the file.
        words = f"--key-file {path} holds no key. Make one with 'archive key'."
        raise _refused(words, options) from error


@contextmanager
def _progress() -> Iterator[Tell]:
    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("Looking", total=None)
        yield lambda step, done, total: bar.update(task, description=step, completed=done, total=total)
