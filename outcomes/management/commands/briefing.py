"""Build an audit briefing, archive it, and write it to disk."""

import json
from argparse import ArgumentParser, ArgumentTypeError
from datetime import date
from pathlib import Path
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.management.base import CommandError
from django.db.models import Count
from django.utils import timezone

from outcomes.briefing.archive import make_briefing
from outcomes.briefing.asked import AskedWronglyError, Brief, last_whole_year
from outcomes.briefing.pdf import NoPdfError, pdf_of
from outcomes.cohort import UnknownFilterError
from outcomes.definitions import definition_asked
from outcomes.files import write_whole
from outcomes.models import Briefing
from registry.management.example import CommandWithExample
from registry.models import Unit, User
from registry.vocabulary import Role


class Command(CommandWithExample):
    help = (
        "Build the audit briefing of one unit: one self-contained HTML file for the department's meeting, "
        "kept in the archive with its numbers and SHA-256. Without --since and --until: the last whole "
        "calendar year."
    )
    example = "briefing --unit northmere --since 2025-01-01 --until 2025-12-31 --out briefings --pdf"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--unit", default="", help="code of the unit; left out, the one with most repairs"
        )
        parser.add_argument("--since", type=_day, help="first day of operation, as 2025-01-01")
        parser.add_argument("--until", type=_day, help="last day of operation, as 2025-12-31")
        parser.add_argument("--failure", default="", help="code of the definition of failure")
        parser.add_argument("--note", default="", help="words of the chair, printed under the headline")
        parser.add_argument(
            "--by", default="", help="user name of the audit lead; left out, the unit's first"
        )
        parser.add_argument("--out", type=Path, default=Path("briefings"), help="folder to write to")
        parser.add_argument(
            "--pdf", action="store_true", help="print it to PDF too, where there is a Chromium"
        )
        parser.add_argument("--json", action="store_true", help="write the numbers beside it as JSON")

    def handle(self, **options: Any) -> str:
        unit = self._unit(options["unit"])
        try:
            briefing = make_briefing(_brief(unit, options), self._lead(unit, options["by"]), self._say)
        except (UnknownFilterError, AskedWronglyError) as problem:
            raise CommandError(str(problem)) from problem
        except PermissionDenied as refusal:
            raise CommandError(
                f"--by: '{options['by']}' leads no audit of {unit}. Name one who does."
            ) from refusal
        return self._write(briefing, options)

    def _say(self, section: str) -> None:
        self.stderr.write(f"briefing: {section}")

    def _unit(self, code: str) -> Unit:
        units = Unit.objects.annotate(repairs=Count("procedures__tears__repair")).order_by("-repairs", "code")
        unit = units.filter(code=code).first() if code else units.first()
        if unit is None:
            known = ", ".join(Unit.objects.values_list("code", flat=True)) or "none yet"
            raise CommandError(f"--unit: '{code}' is no unit. Give one of: {known}.")
        return unit

    def _lead(self, unit: Unit, username: str) -> User:
        leads = User.objects.filter(memberships__unit=unit, memberships__role=Role.AUDIT_LEAD, is_active=True)
        people = User.objects.filter(username=username) if username else leads.order_by("username")
        person = people.first()
        if person is None:
            said = f"no user named '{username}'" if username else f"{unit} has no audit lead"
            raise CommandError(f"--by: {said}. Give the user name of an audit lead of that unit.")
        return person

    def _write(self, briefing: Briefing, options: dict[str, Any]) -> str:
        out: Path = options["out"]
        path = out / f"briefing-{briefing.unit.code}-{timezone.localdate()}.html"
        write_whole(path, briefing.html)
        lines = [f"{path}  (SHA-256 {briefing.sha256})"]
        if options["json"]:
            numbers = path.with_suffix(".json")
            write_whole(numbers, json.dumps(briefing.numbers, indent=1).encode())
            lines.append(str(numbers))
        if options["pdf"]:
            lines += self._pdf(briefing, path.with_suffix(".pdf"))
        return "\n".join(lines)

    def _pdf(self, briefing: Briefing, path: Path) -> list[str]:
        self._say("the PDF")
        try:
            write_whole(path, pdf_of(briefing.html))
        except NoPdfError as reason:
            self.stderr.write(f"No PDF: {reason}")
            return []
        return [str(path)]


def _brief(unit: Unit, options: dict[str, Any]) -> Brief:
    since, until, today = options["since"], options["until"], timezone.localdate()
    if since is None and until is None:
        since, until = last_whole_year(today)
    units = Unit.objects.filter(pk=unit.pk)
    return Brief(
        unit=unit,
        definition=definition_asked({"failure": options["failure"]}, units),
        closed_on=today,
        since=since,
        until=until,
        note=options["note"],
    )


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as problem:
        raise ArgumentTypeError(f"'{text}' is no day; give it as 2024-03-01.") from problem
