"""The ledger of releases: verified, listed, and a release recalled."""

import json
from argparse import ArgumentParser
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict
from typing import Any, ClassVar
from uuid import UUID

from django.core.exceptions import ValidationError
from django.core.management.base import CommandError

from outcomes.models import LedgerEntry
from outcomes.release import keys, ledger
from registry.access import Action, units_for
from registry.management.example import USUAL_EXIT_CODES, CommandWithExample, add_act
from registry.models import User

KEEP_THE_HEAD = (
    "Note the last hash outside this database: it alone shows later that nothing was cut off the end."
)


class Command(CommandWithExample):
    help = "Prove the ledger of releases, list it, or recall a release."
    example = "ledger verify --json"
    exit_codes: ClassVar[Mapping[int, str]] = {**USUAL_EXIT_CODES, 1: "refused, or the ledger does not hold"}

    def add_arguments(self, parser: ArgumentParser) -> None:
        acts = parser.add_subparsers(dest="act", required=True)
        verify = add_act(
            acts,
            "verify",
            "Work through numbers, chain, hashes and packages; exit 1 on a problem.",
            self.example,
        )
        verify.add_argument("--head", help="a last hash noted earlier: it must stand in the chain")
        listing = add_act(acts, "list", "List every entry, oldest first.", "ledger list")
        recall = add_act(
            acts,
            "recall",
            "Mark a release as recalled.",
            "ledger recall 6b1e... --by coordinator --reason 'wrong cohort'",
        )
        recall.add_argument("release", type=UUID, help="key of its entry, as ledger list prints it")
        recall.add_argument(
            "--by", required=True, help="user name of a person who may release from its units"
        )
        recall.add_argument("--reason", required=True, help="why, in words that stay in the ledger")
        for each in (verify, listing, recall):
            each.add_argument("--json", action="store_true", help="print it as JSON")

    def handle(self, **options: Any) -> None:
        acts: dict[str, Callable[..., None]] = {
            "verify": self._verify,
            "list": self._list,
            "recall": self._recall,
        }
        acts[options["act"]](**options)

    def _verify(self, head: str | None, json: bool, **_: Any) -> None:
        found = ledger.verify()
        problems = [*found.problems, *_missing(head)]
        if json:
            self.stdout.write(_as_json(found, problems))
        else:
            for problem in problems:
                self.stdout.write(problem)
            self.stdout.write(f"{found.entries} entries, {len(problems)} problems. Last hash: {found.head}")
            self.stdout.write(KEEP_THE_HEAD)
        if problems:
            raise CommandError("The ledger does not hold.")

    def _list(self, json: bool, **_: Any) -> None:
        entries = LedgerEntry.objects.order_by("number")
        if json:
            self.stdout.write(_listed(entries))
            return
        for entry in entries:
            about = keys.project_of(entry.of or entry)
            self.stdout.write(
                f"{entry.number:>4}  {entry.written_at:%Y-%m-%d %H:%M}  {entry.get_kind_display():<24} "
                f"{(entry.of or entry).uuid}  {about}"
            )

    def _recall(self, release: UUID, by: str, reason: str, json: bool, **_: Any) -> None:
        entry = LedgerEntry.objects.filter(uuid=release).first()
        person = User.objects.filter(username=by).first()
        if entry is None:
            raise CommandError(f"No release {release} is in the ledger; see ledger list.")
        if person is None or entry not in ledger.for_units(units_for(person, Action.RELEASE)):
            raise CommandError(f"--by: '{by}' may not release from all units of release {entry.number}.")
        try:
            ledger.recall(entry, person, reason)
        except ValidationError as refusal:
            raise CommandError(" ".join(refusal.messages)) from refusal
        self.stdout.write(_recalled(entry) if json else f"Release {entry.number} is recalled.")


def _missing(head: str | None) -> list[str]:
    if not head or LedgerEntry.objects.filter(own_hash=head).exists():
        return []
    return [f"The hash {head} is not in the ledger: entries were cut off its end, or it is another ledger's."]


def _as_json(found: ledger.Verified, problems: list[str]) -> str:
    return json.dumps(asdict(found) | {"problems": problems})


def _listed(entries: Iterable[LedgerEntry]) -> str:
    return json.dumps(
        [
            {
                "number": entry.number,
                "written_at": entry.written_at.isoformat(),
                "kind": entry.kind,
                "release": str((entry.of or entry).uuid),
                "project": keys.project_of(entry.of or entry),
            }
            for entry in entries
        ]
    )


def _recalled(entry: LedgerEntry) -> str:
    return json.dumps({"number": entry.number, "recalled": str(entry.uuid)})
