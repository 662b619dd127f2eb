"""Who withdrew or was erased after a release: from pseudonyms and the package each time, never stored."""

import io
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID

import pyarrow.parquet
from django.core.exceptions import ValidationError
from django.db.models import Q, QuerySet

from outcomes.models import LedgerEntry, LedgerKind
from outcomes.release import keys, ledger, store
from registry.models import EndOfFollowUp, Erasure, IndexProcedure, Patient, Unit, User
from registry.vocabulary import EndReason, ResearchPermission

PACKAGE_GONE = "Its package is not in the store, so who is in it cannot be read."
NOTHING_NEW = "Nobody withdrew from this release for whom no letter was made yet."


@dataclass(frozen=True, slots=True)
class Affected:
    """A patient in a release who gives no permission any more, or was erased, by that project's pseudonym.

    `withdrawn_on_known` says whether the record holds the day; `letter` is the entry of the letter that
    names the pseudonym, if one was made. Where nothing can be told, `pseudonym` is empty and `cannot_tell`
    says why.
    """

    entry: LedgerEntry
    project: str
    pseudonym: str
    withdrawn_on_known: bool = False
    letter: LedgerEntry | None = None
    cannot_tell: str = ""


def affected(units: QuerySet[Unit]) -> list[Affected]:
    """Everybody in a release of these units who has withdrawn since, release by release, newest first."""
    withdrew = _withdrew(units)
    if not withdrew:
        return []
    entries = list(ledger.for_units(units))
    letters = [entry for entry in entries if entry.kind == LedgerKind.LETTER]
    return [
        each
        for entry in entries
        if entry.kind == LedgerKind.ROWS
        for each in _of_release(entry, withdrew, [letter for letter in letters if letter.of_id == entry.pk])
    ]


def write_letter(entry: LedgerEntry, units: QuerySet[Unit], by: User) -> LedgerEntry:
    """Put into the ledger that the recipient's data steward is written to, for all not yet written about.

    Raises
    ------
    django.core.exceptions.ValidationError
        When there is nobody to write about.
    """
    told = [each.pseudonym for each in affected(units) if each.entry == entry and not each.letter]
    pseudonyms = sorted(filter(None, told))
    if not pseudonyms:
        raise ValidationError(NOTHING_NEW)
    asked = entry.said["asked"]
    content = {name: asked[name] for name in ("project", "approval", "recipient", "steward")}
    return ledger.write(LedgerKind.LETTER, by, content | {"pseudonyms": pseudonyms}, of=entry)


def _withdrew(units: QuerySet[Unit]) -> dict[UUID, bool]:
    """Patients of these units who give no permission now, with whether the day of it is on record.

    Also those whose record was erased, of whom there is no row any more: an erasure keeps their internal key.
    """
    operated = IndexProcedure.ever.filter(unit__in=units).values("knee__patient")
    left = EndOfFollowUp.objects.filter(reason=EndReason.WITHDREW).values("patient")
    no_longer = ~Q(research_permission=ResearchPermission.GIVEN) | Q(pk__in=left)
    rows = Patient.ever.filter(no_longer, pk__in=operated).order_by("pk")
    known = rows.values_list("uuid", "research_permission", "research_permission_on")
    gone = Erasure.objects.filter(unit__in=units, keeps_outcome=False).order_by("pk")
    return {
        uuid: permission == ResearchPermission.GIVEN or day is not None for uuid, permission, day in known
    } | dict.fromkeys(gone.values_list("patient_uuid", flat=True), True)


def _of_release(
    entry: LedgerEntry, withdrew: Mapping[UUID, bool], letters: list[LedgerEntry]
) -> Iterator[Affected]:
    project = keys.project_of(entry)
    path = store.package_of(entry)
    if path is None:
        yield Affected(entry, project, "", cannot_tell=PACKAGE_GONE)
        return
    try:
        pseudonyms, _ = keys.pseudonyms_for(project)
    except keys.KeyMissingError as problem:
        yield Affected(entry, project, "", cannot_tell=str(problem))
        return
    written = {name: letter for letter in letters for name in letter.said["pseudonyms"]}
    released = released_patients(path)
    names = {pseudonyms.of("patient", uuid): known for uuid, known in withdrew.items()}
    for name in sorted(names.keys() & released):
        yield Affected(entry, project, name, names[name], written.get(name))


def released_patients(path: Path) -> set[str]:
    """The pseudonyms of all patients in a package, from the one column that holds them."""
    with zipfile.ZipFile(path) as package:
        table = pyarrow.parquet.read_table(io.BytesIO(package.read("repairs.parquet")), columns=["patient"])
    return set(table["patient"].unique().to_pylist())
