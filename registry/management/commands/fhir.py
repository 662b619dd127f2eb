"""Patients' records as HL7 FHIR R5, and the table of what goes where."""

import json
from argparse import ArgumentParser
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import CommandError
from rich.console import Console
from rich.progress import track

from registry.fhir.bundle import bundle
from registry.fhir.mapping import mapping
from registry.management.example import CommandWithExample, add_act
from registry.models import Patient


class Command(CommandWithExample):
    help = "Write patients' records as HL7 FHIR R5, without anything that names them."
    example = "fhir bundle --all --out bundles"

    def add_arguments(self, parser: ArgumentParser) -> None:
        acts = parser.add_subparsers(dest="act", required=True)
        writes = add_act(acts, "bundle", "Write one Bundle a patient.", self.example)
        who = writes.add_mutually_exclusive_group(required=True)
        who.add_argument("--patient", type=UUID, metavar="KEY", help="key of one patient, as the API has it")
        who.add_argument("--all", action="store_true", help="every patient on record")
        writes.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="folder to write to")
        table = add_act(
            acts, "mapping", "Print which field goes to which element, and what is left.", "fhir mapping"
        )
        for each in (writes, table):
            each.add_argument("--json", action="store_true", help="print it as JSON")

    def handle(self, **options: Any) -> None:
        if options["act"] == "mapping":
            self._mapping(options["json"])
            return
        files = list(_write(_patients(options["patient"]), options["out"]))
        as_json = json.dumps({"written": [str(path) for path in files]})
        self.stdout.write(as_json if options["json"] else f"{len(files):,} bundles in {options['out']}.")

    def _mapping(self, as_json: bool) -> None:
        rows = list(mapping())
        if as_json:
            self.stdout.write(json.dumps([asdict(row) for row in rows]))
            return
        for row in rows:
            self.stdout.write(f"{row.model}.{row.field:<28} {row.element}")


def _patients(key: UUID | None) -> list[Patient]:
    found = Patient.objects.select_related("unit").order_by("pk")
    patients = list(found if key is None else found.filter(uuid=key))
    if not patients:
        raise CommandError(
            f"--patient: no patient {key} is on record." if key else "No patient is on record."
        )
    return patients


def _write(patients: list[Patient], folder: Path) -> Iterator[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    console = Console(stderr=True)
    for patient in track(
        patients, "Writing", console=console, transient=True, disable=not console.is_terminal
    ):
        path = folder / f"{patient.uuid}.json"
        path.write_text(json.dumps(bundle(patient), indent=1), encoding="utf-8")
        yield path
