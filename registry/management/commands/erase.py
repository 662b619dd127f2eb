"""Erasures where the page is not enough: a patient of several units, and all again after a restore."""

import json
from argparse import ArgumentParser
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any, ClassVar

from django.core.exceptions import ValidationError
from django.core.management.base import CommandError

from registry.management.example import USUAL_EXIT_CODES, CommandWithExample, add_act
from registry.models import Erasure, Patient, Unit, User
from registry.rights import repeating
from registry.rights.erasing import Request, erase

_SOME_PATIENT = "5f0c9d0e-6f0b-4d53-9a3e-0a5a2f7e9b11"
_PATIENT = (
    f"erase patient {_SOME_PATIENT} --unit brackwold --as administrator "
    "--asked-on 2026-01-05 --reason 'Art. 17 GDPR, both units agreed'"
)


class Command(CommandWithExample):
    help = "Erase a patient who asked for it, list erasures, or repeat them after a backup was restored."
    example = "erase list /safe/erased.json"
    exit_codes: ClassVar[Mapping[int, str]] = {
        **USUAL_EXIT_CODES,
        1: "refused; of a list, those before the one named on stderr are erased",
    }

    def add_arguments(self, parser: ArgumentParser) -> None:
        acts = parser.add_subparsers(dest="act", required=True, metavar="patient|list|again")
        one = add_act(acts, "patient", "erase one patient for good; it cannot be undone", _PATIENT)
        one.add_argument("patient", help="the patient's internal key, as the page Who looked shows it")
        one.add_argument("--unit", required=True, help="code of the unit that was asked")
        one.add_argument(
            "--asked-on", required=True, type=date.fromisoformat, help="day of the request, 2026-01-05"
        )
        one.add_argument(
            "--reason", required=True, help="what was asked and what the decision rests on; name nobody"
        )
        one.add_argument(
            "--everything", action="store_true", help="repairs and outcomes too, though research is permitted"
        )
        lists = add_act(
            acts, "list", "write every erasure to a new file, to be kept apart from backups", self.example
        )
        lists.add_argument("file", type=Path, help="the new file; it holds internal keys and names nobody")
        again = add_act(
            acts,
            "again",
            "erase again whoever is on such a list and on record, once a backup was restored",
            "erase again /safe/erased.json --as administrator",
        )
        again.add_argument("file", type=Path, help="the list")
        for each in (one, again):
            each.add_argument("--as", dest="username", required=True, help="on whose word it is done")
        for each in (one, lists, again):
            each.add_argument("--json", action="store_true", help="print it as JSON")

    def handle(self, **options: Any) -> None:
        acts: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
            "patient": _patient,
            "list": _list,
            "again": _again,
        }
        done = acts[options["act"]](options)
        lines = (f"{name}: {value}" for name, value in done.items())
        self.stdout.write(json.dumps(done) if options["json"] else "\n".join(lines))


def _patient(options: dict[str, Any]) -> dict[str, Any]:
    unit = Unit.objects.filter(code=options["unit"]).first()
    try:
        patient = Patient.ever.filter(uuid=options["patient"]).first()
    except ValidationError:
        patient = None
    if unit is None or patient is None:
        raise CommandError("erase: no such unit or patient is on record. Nothing was erased.")
    asked = Request(
        patient,
        unit,
        _user(options),
        options["asked_on"],
        options["reason"],
        options["everything"],
        for_every_unit=True,
    )
    return _told([_erased(lambda: erase(asked))])


def _list(options: dict[str, Any]) -> dict[str, Any]:
    lines = repeating.told()
    try:
        with options["file"].open("x", encoding="utf-8") as file:
            json.dump(lines, file, indent=1)
    except OSError as error:
        raise CommandError(f"erase: no list was written. {error.strerror}: {options['file']}.") from error
    return {"listed": len(lines), "file": str(options["file"])}


def _again(options: dict[str, Any]) -> dict[str, Any]:
    try:
        lines = json.loads(options["file"].read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise CommandError("erase: the list cannot be read. Nothing was erased.") from error
    user = _user(options)
    try:
        return _told(_erased(lambda: repeating.repeat(lines, user)))
    except repeating.NotAsWritten as error:
        raise CommandError(
            "erase: a line of the list is not as it was written. Nothing was erased."
        ) from error


def _erased(work: Callable[[], Any]) -> Any:
    try:
        return work()
    except ValidationError as error:
        raise CommandError(f"erase: {' '.join(error.messages)}") from error
    except Patient.DoesNotExist as error:
        raise CommandError("erase: the patient is on record no more.") from error


def _user(options: dict[str, Any]) -> User:
    user = User.objects.filter(username=options["username"]).first()
    if user is None:
        raise CommandError(f"erase: account {options['username']} is not known. Nothing was erased.")
    return user


def _told(done: list[Erasure]) -> dict[str, Any]:
    return {"erased": len(done), "keeping_outcomes": sum(each.keeps_outcome for each in done)}
