"""Make the role of the database that the site works under, and check it."""

import json
from argparse import ArgumentParser
from collections.abc import Mapping
from typing import Any, ClassVar

from django.core.management.base import CommandError

from registry.isolation import roles
from registry.management.example import CommandWithExample


class Command(CommandWithExample):
    help = (
        "Make the role of PostgreSQL that the site works under, with no more rights than it needs. Run it as "
        "the owner of the tables, after every migrate; it may be run again at any time."
    )
    exit_codes: ClassVar[Mapping[int, str]] = {
        0: "done, or all as it ought to be",
        1: "something is otherwise, or this database knows no roles; stderr says what",
        2: "the command line is wrong",
    }
    example = "roles --check"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--check", action="store_true", help="change nothing; say what is otherwise")
        parser.add_argument("--json", action="store_true", help="print rights and differences as JSON")

    def handle(self, **options: Any) -> None:
        try:
            if not options["check"]:
                roles.set_up()
            wrong = roles.differences()
        except roles.NotForRolesError as refusal:
            raise CommandError(f"roles: {refusal}") from refusal
        self.stdout.write(_as_json(wrong) if options["json"] else _in_lines())
        if wrong:
            raise CommandError("roles: " + " ".join(wrong))


def _as_json(wrong: list[str]) -> str:
    rights = {
        role: {grant.table: [*grant.verbs, *(f"UPDATE ({name})" for name in grant.columns)] for grant in held}
        for role, held in roles.given().items()
    }
    return json.dumps({"rights": rights, "differences": wrong})


def _in_lines() -> str:
    lines = []
    for role, held in roles.given().items():
        lines.append(role)
        for grant in held:
            columns = f", UPDATE of {', '.join(grant.columns)}" if grant.columns else ""
            lines.append(f"  {grant.table:<40} {', '.join(grant.verbs)}{columns}")
    return "\n".join(lines)
