"""Write to patients whose reviews can be answered: for cron, safe to run at any time and twice at once."""

import json
from argparse import ArgumentParser
from collections.abc import Mapping
from typing import Any, ClassVar

from django.conf import settings
from django.core.checks import run_checks
from django.core.management.base import CommandError
from django.db.models import QuerySet
from rich.console import Console
from rich.progress import Progress

from registry.management.example import CommandWithExample
from registry.models import Unit
from registry.reminders.refusals import Hindrance
from registry.reminders.run import Summary, run
from registry.vocabulary import MessageKind

NEEDS_A_LOOK = 1
NOT_STARTED = 2

HELD_BACK = {
    Hindrance.NO_ADDRESS: "without an address",
    Hindrance.BAD_ADDRESS: "with an address that is none",
    Hindrance.SEALED_SHUT: "with an address that no key opens",
    Hindrance.OPTED_OUT: "who wish no reminders",
    Hindrance.NO_SMS: "who wish text messages, for which nothing is set up",
    Hindrance.NOT_NOW: "to be tried again",
    Hindrance.BEING_SENT: "left to another run",
    Hindrance.LINK_ENDED: "whose link ended meanwhile",
    Hindrance.DIED: "who died",
    Hindrance.ENDED: "whose follow-up ended",
    Hindrance.WITHDRAWN: "withdrawn",
}


class Command(CommandWithExample):
    help = "Send the invitations and reminders that are due."
    exit_codes: ClassVar[Mapping[int, str]] = {
        0: "all is well",
        NEEDS_A_LOOK: "something needs a look, as the line printed says",
        NOT_STARTED: "not started",
    }
    example = "remind --per-minute 60"

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--dry-run", action="store_true", help="only say what would be sent")
        parser.add_argument("--limit", type=int, metavar="N", help="send at most N messages")
        parser.add_argument("--per-minute", type=int, metavar="N", help="send at most N messages a minute")
        parser.add_argument("--unit", metavar="CODE", help="only patients treated in this unit")
        parser.add_argument("--json", action="store_true", help="print the summary as JSON")

    def handle(self, **options: Any) -> None:
        for name in ("limit", "per_minute"):
            if options[name] is not None and options[name] < 1:
                raise _not_started(
                    f"--{name.replace('_', '-')} {options[name]} sends nothing. Give 1 or more."
                )
        units = _units(options["unit"])
        if not options["dry_run"]:
            _refuse_half_set_up()
        with Progress(console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task("Sending")
            summary = run(
                units,
                dry_run=options["dry_run"],
                limit=options["limit"],
                per_minute=options["per_minute"],
                on_step=lambda done, of: bar.update(task, completed=done, total=of),
            )
        self.stdout.write(json.dumps(summary.as_json()) if options["json"] else _line(summary))
        if summary.needs_a_look:
            raise SystemExit(NEEDS_A_LOOK)


def _units(code: str | None) -> QuerySet[Unit]:
    units = Unit.objects.all() if code is None else Unit.objects.filter(code=code)
    if code is not None and not units:
        raise _not_started(f"--unit {code} is not on record. Give the code of a unit.")
    return units


def _refuse_half_set_up() -> None:
    """Refuse what would write to nobody, or write nonsense to everybody."""
    found = run_checks(tags=["letters"], include_deployment_checks=settings.PRODUCTION)
    if found:
        raise _not_started(" ".join(f"{message.msg} {message.hint}" for message in found))


def _not_started(words: str) -> CommandError:
    return CommandError(f"remind: nothing was sent. {words}", returncode=NOT_STARTED)


def _line(summary: Summary) -> str:
    """The summary as one line."""
    return " ".join(sentence for sentence in _sentences(summary) if sentence)


def _sentences(summary: Summary) -> list[str]:
    kinds = ", ".join(
        f"{kind.label.lower()} {summary.sent[kind]}" for kind in MessageKind if summary.sent[kind]
    )
    verb = "Would send" if summary.dry_run else "Sent"
    held_back = ", ".join(f"{count} {HELD_BACK[why]}" for why, count in sorted(summary.held_back.items()))
    return [
        f"{verb} {summary.sent.total()}{f' ({kinds})' if kinds else ''}.",
        f"Held back: {held_back}." if held_back else "",
        f"{summary.failed} refused for good." if summary.failed else "",
        f"{summary.no_answer} handed over without an answer, not to be sent again."
        if summary.no_answer
        else "",
        f"{summary.left_over} handed over by an earlier run that heard no answer, not to be sent again."
        if summary.left_over
        else "",
        f"Stopped: {summary.stopped}" if summary.stopped else "",
        f"{summary.still_due} still due." if summary.still_due else "",
    ]
