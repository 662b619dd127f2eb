"""The keys of identities: which are in use, every value sealed by the newest, every index by today's."""

import json
from argparse import ArgumentParser
from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any, ClassVar

from django.core.management.base import CommandError
from django.db import IntegrityError

from registry.management.example import USUAL_EXIT_CODES, CommandWithExample, add_act
from registry.management.progress import progress
from registry.rekeying import fingerprints
from registry.rekeying.lifting import NotTheOwner
from registry.rekeying.reindexing import CannotIndex, reindex
from registry.rekeying.resealing import count_by_key, reseal
from registry.rekeying.values import NO_KEY

NOT_THE_OWNER = (
    "keys: this database role does not own the tables, so it may not change seals. Give DATABASE_URL of the "
    "role that migrates, for this command alone. Nothing more was changed."
)
UNOPENED = (
    "keys: {count} values open by none of IDENTITY_KEYS, such as {rows}. All others are sealed by the first "
    "key. Put the missing key back, after the others, and run this again; do not remove any key until then."
)
RESEALED = (
    "{rows:,} rows sealed anew; every value opens by {first}. Keep the older keys for as long as a session "
    "lasts (pages half filled in travel in sessions), see 'keys show' once more, then remove them. Backups "
    "made before still need the older keys: keep those with the backups' private key."
)


class Command(CommandWithExample):
    help = (
        "Tell which keys are in use, seal every value by the newest key, or work out the blind index anew. "
        "After a leak: new key first, reseal, remove the old one; backups made before stay open to whoever "
        "has it. A lost key cannot be made again: what opens by it alone can only come from where it was "
        "copied from."
    )
    example = "keys show"
    exit_codes: ClassVar[Mapping[int, str]] = {
        **USUAL_EXIT_CODES,
        1: "refused, or not every value could be sealed; stderr says what was",
    }

    def add_arguments(self, parser: ArgumentParser) -> None:
        acts = parser.add_subparsers(dest="act", required=True, metavar="show|reseal|reindex")
        shows = add_act(
            acts, "show", "fingerprints of keys and how many values open by each; never a key", "keys show"
        )
        reseals = add_act(
            acts, "reseal", "seal every value by the first of IDENTITY_KEYS; may be broken off", "keys reseal"
        )
        reindexes = add_act(
            acts, "reindex", "after IDENTITY_INDEX_KEY changed, with the site stopped", "keys reindex"
        )
        for each in (shows, reseals, reindexes):
            each.add_argument("--json", action="store_true", help="print it as JSON")

    def handle(self, **options: Any) -> None:
        acts: dict[str, Callable[[bool], None]] = {
            "show": self._show,
            "reseal": self._reseal,
            "reindex": self._reindex,
        }
        try:
            acts[options["act"]](options["json"])
        except NotTheOwner as error:
            raise CommandError(NOT_THE_OWNER) from error

    def _show(self, as_json: bool) -> None:
        names = fingerprints.of_identity_keys()
        counts = count_by_key()
        total: Counter[int] = sum(map(Counter, counts.values()), Counter())
        told: dict[str, Any] = {
            "identity_keys": [
                {"fingerprint": name, "values": total[place]} for place, name in enumerate(names)
            ],
            "opened_by_none": total[NO_KEY],
            "index_key": fingerprints.of_index_key(),
            "columns": {
                column: {"none" if place == NO_KEY else names[place]: n for place, n in sorted(of.items())}
                for column, of in sorted(counts.items())
            },
        }
        if as_json:
            self.stdout.write(json.dumps(told))
            return
        for place, name in enumerate(names):
            self.stdout.write(f"{name}  {total[place]:>9,} values{'  (seals)' if place == 0 else ''}")
        self.stdout.write(f"none      {total[NO_KEY]:>9,} values\nindex key {told['index_key']}")
        for column, of in told["columns"].items():
            self.stdout.write(f"  {column:<50} {', '.join(f'{name} {n:,}' for name, n in of.items())}")

    def _reseal(self, as_json: bool) -> None:
        with progress() as tell:
            found = reseal(tell)
        if found.unopened:
            rows = "; ".join(found.unopened[:3])
            raise CommandError(UNOPENED.format(count=len(found.unopened), rows=rows))
        first = fingerprints.of_identity_keys()[0]
        told = json.dumps({"rows": found.rows, "key": first})
        self.stdout.write(told if as_json else RESEALED.format(rows=found.rows, first=first))

    def _reindex(self, as_json: bool) -> None:
        try:
            with progress() as tell:
                changed = reindex(tell)
        except CannotIndex as error:
            words = "an identity opens by none of IDENTITY_KEYS, so its number cannot be indexed"
            raise CommandError(f"keys: {words}. Put the key back. Nothing was changed.") from error
        except IntegrityError as error:
            raise CommandError(
                "keys: two standing identities of a unit have one number. Correct one, then index again. "
                "Nothing was changed."
            ) from error
        said = f"{changed:,} rows indexed anew. Start the site again with the new key."
        self.stdout.write(json.dumps({"rows": changed}) if as_json else said)
