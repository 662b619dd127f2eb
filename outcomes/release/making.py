"""Making a release: gate, reading, hiding, freezing; then packing, the ledger and the store."""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone

from outcomes.cache import data_version
from outcomes.cohort import DAYS, PERIOD, Cohort, UnknownFilterError
from outcomes.definitions import definition_coded, definitions_for
from outcomes.flow_step import FlowStep
from outcomes.models import CohortVersion, LedgerEntry, LedgerKind
from outcomes.models.release import JobState, ReleaseJob
from outcomes.release import frozen_file, keys, ledger, package, preview, store
from outcomes.release.asked import LEAST_K, Asked
from outcomes.release.effect import effect, landmarks
from outcomes.release.frozen import REPAIRS, Frozen, Hidden
from outcomes.release.frozen_file import Kept
from outcomes.release.hiding import CannotHideError, hide
from outcomes.release.hierarchies import ATTRIBUTES, Attribute, year_attribute
from outcomes.release.reading import Read, kept_with, permitted_repairs, read_tables
from outcomes.release.refusals import ReleaseRefusedError
from registry.access import Action, units_for
from registry.models import Unit, User
from registry.snapshot import snapshot
from registry.telling import Tell, WorkStoppedError, silently

YEAR = "year"
STATED = ("project", "purpose", "approval", "recipient", "steward")
NOT_STATED = "A release needs a stated {name}. Enter it."
K_TOO_SMALL = "{k} is below {least}, the smallest number allowed here. Enter {least} or more."
NO_ATTRIBUTE = "'{code}' is no attribute. Choose from: {known}."
YEARS_WITHOUT_WIDTH = "Year is asked for without a width. Choose bands of 1, 2 or 5 years, or leave year out."
NO_DEFINITION = "'{code}' is no definition of failure here. Choose from: {known}."
NOT_SAVED = (
    "The cohort '{name}', version {version}, is not among those you may use, or its filters are others. "
    "Name it under Cohorts first."
)
NOBODY_PERMITTED = (
    "None of the {n} repairs may be released: no patient gave research permission. Record permissions, "
    "or widen the cohort."
)
WITHDREW_SINCE = (
    "{n} of the patients in it may not be released any more: they withdrew, or their record changed, since "
    "it was prepared. Prepare it anew."
)


def make_package(asked: Asked, by: User, tell: Tell = silently) -> tuple[Path, LedgerEntry]:
    """Prepare and pack at once, for whoever needs no look before; the package in the store, and its entry.

    Raises
    ------
    PermissionDenied, ValidationError
        As `gate`.
    ReleaseRefusedError
        The rows cannot be made safe.
    """
    gate(asked, by)
    job = ReleaseJob.objects.create(asked_by=by, confirmed_by=by, asked=asked.as_json())
    try:
        prepare(job, tell)
        entry = pack(job, tell)
    except BaseException:
        store.drop_work(job.uuid)
        job.delete()
        raise
    path = store.package_of(entry)
    assert path  # noqa: S101 - it was just published
    return path, entry


# --- gate ---------------------------------------------------------------------------------------


def gate(asked: Asked, by: User) -> QuerySet[Unit]:
    """The units of a request that may be released to this person.

    Raises
    ------
    PermissionDenied
        One of the units is not theirs to release from.
    ValidationError
        By field of Asked: what is missing or wrong, and the mend.
    """
    units = units_for(by, Action.RELEASE).filter(code__in=asked.units)
    if not asked.units or units.count() != len(set(asked.units)):
        raise PermissionDenied
    problems = dict(_problems(asked, by, units))
    if problems:
        raise ValidationError(problems)
    return units


def _problems(asked: Asked, by: User, units: QuerySet[Unit]) -> Iterator[tuple[str, str]]:
    for name in STATED:
        if not getattr(asked, name).strip():
            yield name, NOT_STATED.format(name=name)
    least = max(LEAST_K, *(unit.smallest_count_shown for unit in units))
    if asked.k < least:
        yield "k", K_TOO_SMALL.format(k=asked.k, least=least)
    yield from _of_attributes(asked)
    known = definitions_for(units)
    if asked.definition not in known:
        yield "definition", NO_DEFINITION.format(code=asked.definition, known=", ".join(known))
    if not _is_saved(asked, by, units):
        yield "cohort_name", NOT_SAVED.format(name=asked.cohort_name, version=asked.cohort_version)


def _of_attributes(asked: Asked) -> Iterator[tuple[str, str]]:
    for code in asked.attributes:
        if code not in (*ATTRIBUTES, YEAR):
            yield "attributes", NO_ATTRIBUTE.format(code=code, known=", ".join((*ATTRIBUTES, YEAR)))
    if YEAR in asked.attributes and asked.year_years not in (1, 2, 5):
        yield "year_years", YEARS_WITHOUT_WIDTH


def _is_saved(asked: Asked, by: User, units: QuerySet[Unit]) -> bool:
    """Whether the filters are those of a version that this person made or is shared."""
    theirs = Q(cohort__made_by=by) | Q(cohort__shared_with__in=units_for(by, Action.NAME_COHORT))
    versions = CohortVersion.objects.filter(
        theirs, cohort__name=asked.cohort_name, number=asked.cohort_version
    )
    try:
        wanted = Cohort.from_query(asked.cohort, units)
        return any(Cohort.from_query(each.query, units) == wanted for each in versions)
    except UnknownFilterError:
        return False


# --- preparing ----------------------------------------------------------------------------------


def prepare(job: ReleaseJob, tell: Tell) -> None:
    """Read and hide what is asked for, keep it frozen in its folder of work, and tell what would leave."""
    asked = Asked.from_json(job.asked)
    units = gate(asked, job.asked_by)
    pseudonyms, key = keys.pseudonyms_for(asked.project)
    with snapshot():
        at, record_version = timezone.now(), data_version()
        read = read_tables(asked, units, pseudonyms, tell)
        sentence = Cohort.from_query(asked.cohort, units).sentence(units, leaves=True)
    if read.tables[REPAIRS].empty:
        raise ReleaseRefusedError(
            NOBODY_PERMITTED.format(n=read.flow[-1].remaining + _without_permission(read.flow))
        )
    released, hidden = _hidden(asked, read, tell)
    definition = definition_coded(asked.definition)
    frozen = Frozen(
        asked=asked,
        software=f"rimward {version('rimward')}",
        month=timezone.localtime(at).strftime("%Y-%m"),
        record_version=record_version,
        cohort_sentence=sentence,
        definition_name=definition.name,
        definition_sentence=definition.sentence,
        definition_cautions=definition.cautions,
        flow=(*map(_without_days, read.flow), _suppressed(hidden, len(released))),
        tables=kept_with(read.tables, released),
        hidden=hidden,
        survival=landmarks(released),
        effect=effect(read.tables[REPAIRS], released),
    )
    frozen_file.keep(job.uuid, Kept(frozen, at.isoformat(), key))
    job.state, job.preview = JobState.PREPARED, preview.tell(frozen)
    _save(job)


def _hidden(asked: Asked, read: Read, tell: Tell) -> tuple[pd.DataFrame, Hidden]:
    repairs = read.tables[REPAIRS]
    try:
        return hide(
            repairs, [_attribute(code, asked, repairs) for code in asked.attributes], k=asked.k, tell=tell
        )
    except CannotHideError as problem:
        raise ReleaseRefusedError(str(problem)) from problem


def _attribute(code: str, asked: Asked, repairs: pd.DataFrame) -> Attribute:
    if code != YEAR:
        return ATTRIBUTES[code]
    return year_attribute(asked.year_years, {int(str(band)[:4]) for band in repairs[YEAR].unique()})


def _without_permission(flow: Iterable[FlowStep]) -> int:
    """How many repairs of the cohort were left out for want of permission."""
    return sum(step.left_out for step in flow if step.code.startswith(("permission", "withdrew")))


def _without_days(step: FlowStep) -> FlowStep:
    """A step as it may leave: the limits of a period are not told."""
    return replace(step, label=PERIOD.capitalize()) if step.code in DAYS else step


def _suppressed(hidden: Hidden, remaining: int) -> FlowStep:
    return FlowStep("suppressed", "Left out because too few are like them", hidden.suppressed, remaining)


# --- packing ------------------------------------------------------------------------------------


def pack(job: ReleaseJob, tell: Tell) -> LedgerEntry:
    """Pack what was prepared, enter it in the ledger, and let it be seen, in this order."""
    by = job.confirmed_by or job.asked_by
    kept = frozen_file.load(job.uuid)
    _refuse_whoever_withdrew(kept, gate(kept.frozen.asked, by))
    digest, size = store.keep(job.uuid, lambda path: package.build(kept.frozen, path, tell))
    with transaction.atomic():
        content = _content(kept, digest, size)
        entry = ledger.write(LedgerKind.ROWS, by, content, uuid=job.uuid)
        job.state, job.entry = JobState.RELEASED, entry
        _save(job)
    store.publish(entry.uuid)
    store.drop_work(job.uuid)
    return entry


def _refuse_whoever_withdrew(kept: Kept, units: QuerySet[Unit]) -> None:
    """Nobody leaves who has withdrawn between the preparation and now."""
    asked = kept.frozen.asked
    pseudonyms, key = keys.pseudonyms_for(asked.project)
    if key != kept.key:
        raise ReleaseRefusedError("The project's key has changed since it was prepared. Prepare it anew.")
    now = permitted_repairs(Cohort.from_query(asked.cohort, units), units)
    uuids = now.values_list("tear__procedure__knee__patient__uuid", flat=True).distinct()
    permitted = {pseudonyms.of("patient", uuid) for uuid in uuids}
    gone = set(kept.frozen.tables[REPAIRS]["patient"]) - permitted
    if gone:
        raise ReleaseRefusedError(WITHDREW_SINCE.format(n=len(gone)))


def _content(kept: Kept, digest: str, size: int) -> dict[str, Any]:
    """What the ledger keeps of a release of rows."""
    told, asked = preview.tell(kept.frozen), kept.frozen.asked
    flow = {step.code: step for step in kept.frozen.flow}
    released = flow["suppressed"].remaining
    permitted = released + flow["suppressed"].left_out
    left_out = _without_permission(kept.frozen.flow)
    return {
        "asked": asked.as_json(),
        "cohort": kept.frozen.cohort_sentence,
        "snapshot_at": kept.snapshot_at,
        "record_version": kept.frozen.record_version,
        "key": kept.key,
        "software": kept.frozen.software,
        "columns": told["columns"],
        "rows": {
            "in_cohort": permitted + left_out,
            "permitted": permitted,
            "suppressed": flow["suppressed"].left_out,
            "released": released,
        },
        "k": told["k"],
        "patients": told["patients"],
        "levels": told["levels"],
        "sha256": digest,
        "size": size,
        "kept": True,
    }


def _save(job: ReleaseJob) -> None:
    """Keep where a job stands now, unless it was cancelled or taken over; nobody works on it any more."""
    mine = ReleaseJob.objects.filter(pk=job.pk, worker=job.worker, cancel_asked=False)
    stands: dict[str, Any] = {"state": job.state, "preview": job.preview, "entry": job.entry}
    if not mine.update(**stands, step="", done=0, total=0, worker="", told=""):
        raise WorkStoppedError
    job.refresh_from_db()
