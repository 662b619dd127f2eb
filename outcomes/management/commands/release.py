"""Write a de-identified release to disk."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.core.management.base import CommandError

from outcomes.cohort import WHICH, Cohort
from outcomes.failure import DEFINITIONS, REOPERATION
from outcomes.files import write_whole
from outcomes.release.making import Request, make_release
from outcomes.release.rows import ReleaseRefusedError
from registry.access import Action, units_for
from registry.management.example import CommandWithExample
from registry.models import User


class Command(CommandWithExample):
    help = "Make a de-identified release of repairs: a zip with table, codebook and manifest."
    example = (
        "release --by coordinator --project zones --purpose 'failure by zone' "
        "--approval REC-2026-014 --out releases"
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--by", required=True, help="user name of the person who may release")
        parser.add_argument("--project", required=True, help="same project, same pseudonyms")
        parser.add_argument("--purpose", required=True)
        parser.add_argument("--approval", required=True, help="approval reference")
        parser.add_argument("--which", choices=WHICH, default="all")
        parser.add_argument("--failure", choices=DEFINITIONS, default=REOPERATION.code)
        parser.add_argument("--out", type=Path, required=True, help="folder to write to")

    def handle(self, **options: Any) -> str:
        person = User.objects.filter(username=options["by"]).first()
        if person is None:
            raise CommandError(f"--by: no user named '{options['by']}'. Give a user name that exists.")
        request = Request(
            by=person,
            units=units_for(person, Action.RELEASE),
            cohort=Cohort(which=options["which"]),
            definition=DEFINITIONS[options["failure"]],
            project=options["project"],
            purpose=options["purpose"],
            approval=options["approval"],
        )
        try:
            package, entry = make_release(request)
        except PermissionDenied as refusal:
            raise CommandError(f"--by: {person} may not release from any unit.") from refusal
        except ValidationError as problem:
            raise CommandError("; ".join(problem.messages)) from problem
        except ReleaseRefusedError as refusal:
            raise CommandError(str(refusal)) from refusal
        path: Path = options["out"] / f"release-{entry.uuid}.zip"
        write_whole(path, package)
        return f"{path}  ({entry.rows_released} repairs, smallest class {entry.smallest_class})"
