"""A file of old records on its way: begun, its columns named, dropped; kept sealed until it is taken in."""

import hashlib
import json
from collections.abc import Iterable, Mapping

from django.core.exceptions import PermissionDenied
from django.db import transaction

from registry.access import Action, units_for
from registry.intake.columns.guessing import guess, header_digest
from registry.intake.columns.known import Known
from registry.intake.columns.mapping import Mapping as MeaningOfFile
from registry.intake.columns.mapping import SheetMapping
from registry.intake.file.reading import read
from registry.intake.file.sheet import Sheet
from registry.intake.report import Report
from registry.models import Intake, IntakeMemory, Unit, User
from registry.sealing import seal, seal_bytes, unseal, unseal_bytes
from registry.vocabulary import IntakeState

# While nobody works on it and nothing of it is on record.
AT_REST = (IntakeState.OPEN, IntakeState.REHEARSED, IntakeState.BROKEN)
LONGEST_NAME = 200


class NotNow(Exception):  # noqa: N818 - said to a person as it stands
    """What cannot be done to an intake as it is: why, and what to do instead, in words."""


def begin(unit: Unit, by: User, file_name: str, content: bytes) -> Intake:
    """Keep a file, sealed, with what its columns probably mean.

    Raises
    ------
    registry.intake.file.sheet.FileRefused
        It cannot be read; nothing is kept.
    django.core.exceptions.PermissionDenied
        Who begins may not take in for this unit.
    """
    refuse_stranger(unit, by)
    sheets = read(content, file_name)
    return Intake.objects.create(
        unit=unit,
        begun_by=by,
        file_name=file_name[-LONGEST_NAME:],
        file_sha256=hashlib.sha256(content).hexdigest(),
        file_sealed=seal_bytes(content),
        mapping=guess(sheets, known_of(unit), memory_of(unit)).as_json(),
    )


def content_of(intake: Intake) -> bytes:
    """The file as it came. NotNow once it is gone."""
    if intake.file_sealed is None:
        raise NotNow("The file is no longer kept: it was taken in or dropped. Begin with the file again.")
    return unseal_bytes(bytes(intake.file_sealed))


def sheets_of(intake: Intake) -> tuple[Sheet, ...]:
    """What the file holds, read anew."""
    return read(content_of(intake), intake.file_name)


def mapping_of(intake: Intake) -> MeaningOfFile:
    return MeaningOfFile.from_json(intake.mapping)


def mark_of(intake: Intake) -> str:
    """A mark of what was said of the file so far: another as soon as something else is said."""
    return hashlib.sha256(json.dumps(intake.mapping, sort_keys=True).encode()).hexdigest()[:32]


def set_mapping(intake: Intake, by: User, mapping: MeaningOfFile) -> None:
    """Say what the columns and values mean; a rehearsal made before no longer counts."""
    refuse_stranger(intake.unit, by)
    read = mark_of(intake)
    with transaction.atomic():
        _hold(intake, "Its columns can no longer be changed")
        if mark_of(intake) != read:
            raise NotNow("Its columns were named otherwise at the same moment. Look at them again.")
        intake.mapping, intake.state, intake.report_sealed = mapping.as_json(), IntakeState.OPEN, ""
        intake.save(update_fields=["mapping", "state", "report_sealed"])


def drop(intake: Intake, by: User) -> None:
    """Give a file up: nothing of it is kept but that it was there."""
    refuse_stranger(intake.unit, by)
    with transaction.atomic():
        _hold(intake, "It can no longer be dropped")
        intake.file_sealed, intake.report_sealed, intake.state = None, "", IntakeState.DROPPED
        intake.save(update_fields=["file_sealed", "report_sealed", "state"])


def known_of(unit: Unit) -> Known:
    """The surgeons of a unit, by everything they may be called."""
    return Known.of(unit.surgeons.values_list("code", "name"))


def report_of(intake: Intake) -> Report | None:
    """What was found at its last rehearsal, or when it was taken in."""
    return Report.from_json(json.loads(unseal(intake.report_sealed))) if intake.report_sealed else None


def sealed_report(report: Report) -> str:
    return seal(json.dumps(report.as_json()))


def memory_of(unit: Unit) -> dict[str, SheetMapping]:
    """What the unit said the columns of earlier files mean, by digest of their header."""
    return {
        memory.header: MeaningOfFile.from_json({"sheets": [memory.meaning]}).sheets[0]
        for memory in IntakeMemory.objects.filter(unit=unit)
    }


def remember(unit: Unit, sheets: Iterable[Sheet], mapping: MeaningOfFile) -> None:
    """Keep what the columns of the sheets in use mean, for the next file with the same header."""
    by_name: Mapping[str, Sheet] = {sheet.name: sheet for sheet in sheets}
    for each in mapping.sheets:
        if each.is_used:
            header = header_digest(by_name[each.sheet], each.header_row)
            meaning = MeaningOfFile((each,)).as_json()["sheets"][0]
            IntakeMemory.objects.update_or_create(unit=unit, header=header, defaults={"meaning": meaning})


def refuse_stranger(unit: Unit, by: User) -> None:
    """PermissionDenied for who may not take in for this unit."""
    if not units_for(by, Action.TAKE_IN).filter(pk=unit.pk).exists():
        raise PermissionDenied


def _hold(intake: Intake, words: str) -> None:
    """Take the row up as it is now, held until the transaction ends, unless somebody works on it."""
    intake.refresh_from_db(from_queryset=Intake.objects.select_for_update())
    if intake.state not in AT_REST:
        raise NotNow(f"{words}: it is {intake.get_state_display().lower()}.")
