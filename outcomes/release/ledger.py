"""The ledger of everything that left the house: the one way to write it, to read it and to prove it."""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.db.models import QuerySet
from django.utils import timezone

from outcomes.models import LedgerEntry, LedgerKind
from outcomes.models.release import NOTHING_BEFORE
from outcomes.release import store
from registry.isolation.scope import whole_house
from registry.models import Unit, User

RELEASES = (LedgerKind.ROWS, LedgerKind.COUNTS, LedgerKind.POOLED)
NO_REASON = "Reason is missing. Say why the release is recalled."
ONLY_RELEASES = "Entry {number} is no release. Recall the release that it is about."
RECALLED_BEFORE = "Release {number} was recalled already."


@dataclass(frozen=True, slots=True)
class Verified:
    """What working through the ledger found; `head` is the last hash, to be noted outside the database."""

    entries: int
    problems: tuple[str, ...]
    head: str

    @property
    def holds(self) -> bool:
        return not self.problems


def write(
    kind: LedgerKind,
    by: User,
    content: dict[str, Any],
    of: LedgerEntry | None = None,
    uuid: UUID | None = None,
) -> LedgerEntry:
    """Append an entry. Two at once both succeed, one after the other; there is no way to change one."""
    with whole_house(), transaction.atomic():
        _one_at_a_time()
        last = LedgerEntry.objects.order_by("number").last()
        entry = LedgerEntry(
            number=last.number + 1 if last else 1,
            uuid=uuid or uuid4(),
            kind=kind,
            written_at=timezone.now(),
            written_by=by,
            of=of,
            content=_as_text(content | {"by": by.username}),
            previous_hash=last.own_hash if last else NOTHING_BEFORE,
        )
        entry.own_hash = entry.worked_out_hash()
        entry.save()
    return entry


def recall(entry: LedgerEntry, by: User, reason: str) -> LedgerEntry:
    """Mark a release as recalled: it stays in the ledger, and its package is handed out no longer.

    Raises
    ------
    django.core.exceptions.ValidationError
        Without a reason, of an entry that is no release, or of one recalled already.
    """
    if not reason.strip():
        raise ValidationError(NO_REASON)
    if entry.kind not in RELEASES:
        raise ValidationError(ONLY_RELEASES.format(number=entry.number))
    with transaction.atomic():
        _one_at_a_time()
        if is_recalled(entry):
            raise ValidationError(RECALLED_BEFORE.format(number=entry.number))
        return write(LedgerKind.RECALL, by, {"reason": " ".join(reason.split())}, of=entry)


def is_recalled(entry: LedgerEntry) -> bool:
    """Whether a release was recalled."""
    return LedgerEntry.objects.filter(kind=LedgerKind.RECALL, of=entry).exists()


def for_units(units: QuerySet[Unit]) -> list[LedgerEntry]:
    """Releases all of whose units are among these, and what was said of them later; newest first."""
    codes = set(units.values_list("code", flat=True))
    entries = LedgerEntry.objects.select_related("written_by", "of", "of__written_by")
    return [entry for entry in entries if units_of(entry.of or entry) <= codes]


def units_of(entry: LedgerEntry) -> set[str]:
    """The codes of the units that a release is from."""
    said = entry.said
    return set(said.get("asked", said).get("units", []))


def verify() -> Verified:
    """Work through the whole ledger: numbers, chain, hashes, and the package of each entry in the store."""
    store.settle()
    # Packages before entries: one that is published meanwhile has its entry by then.
    seen = list(store.packages())
    with whole_house():
        entries = list(LedgerEntry.objects.order_by("number"))
    problems = problems_of_chain(entries)
    for entry in entries:
        if entry.said.get("kept"):
            problems += _of_package(entry)
    problems += _of_store(seen, {entry.uuid for entry in entries})
    return Verified(len(entries), tuple(problems), entries[-1].own_hash if entries else NOTHING_BEFORE)


def problems_of_chain(entries: Iterable[LedgerEntry]) -> list[str]:
    """What does not hold of numbers, chain and hashes of all entries, given in order."""
    problems: list[str] = []
    last = NOTHING_BEFORE
    for number, entry in enumerate(entries, start=1):
        problems += _of_entry(entry, number, last)
        last = entry.own_hash
    return problems


def _of_entry(entry: LedgerEntry, number: int, previous: str) -> Iterator[str]:
    if entry.number != number:
        yield f"Entry {entry.number} stands in place {number}: an entry before it is missing."
    if entry.previous_hash != previous:
        yield f"Entry {entry.number} does not follow the one before it."
    if entry.own_hash != entry.worked_out_hash():
        yield f"Entry {entry.number} was changed: its hash is not that of its content."


def _of_package(entry: LedgerEntry) -> Iterator[str]:
    if store.package_of(entry) is None:
        store.publish(entry.uuid)
    path = store.package_of(entry)
    if path is None:
        yield f"Entry {entry.number}: its package is not in the store."
    elif sha256(path.read_bytes()).hexdigest() != entry.said["sha256"]:
        yield f"Entry {entry.number}: its package in the store is not the one that was released."


def _of_store(seen: Iterable[Path], known: set[UUID]) -> Iterator[str]:
    for path in seen:
        if path.stem not in {str(uuid) for uuid in known}:
            yield f"{path.name} lies in the store without an entry in the ledger."


def _one_at_a_time() -> None:
    """Let nobody else append until this transaction ends; SQLite lets one write at a time anyway."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            # To lock the table would need the right to change it.
            cursor.execute("SELECT pg_advisory_xact_lock(hashtext(%s))", [LedgerEntry._meta.db_table])


def _as_text(content: dict[str, Any]) -> str:
    return json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
