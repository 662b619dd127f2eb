"""Making a release of counts: the gate of every release, counting, hiding; then package, ledger and store."""

from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import Any
from uuid import uuid4

from django.core.exceptions import ValidationError
from django.utils import timezone

from outcomes.cache import data_version
from outcomes.cohort import Cohort
from outcomes.definitions import definition_coded
from outcomes.models import LedgerEntry, LedgerKind
from outcomes.release import ledger, making, store
from outcomes.release.asked import Asked
from outcomes.release.counts import pooled, tables
from outcomes.release.counts.counts_package import CSV_COLUMNS, FrozenCounts, build, build_pooled, counts_csv
from outcomes.release.counts.suppression import CannotSuppressError, suppress
from outcomes.release.refusals import ReleaseRefusedError
from outcomes.strata import STRATA
from registry.models import User
from registry.snapshot import snapshot

BAD_BAND = "A band of {given} days is outside 1 to {most}. Enter a number of days within."
NO_OUTCOME = "the table does not say what became of the repairs."
TOO_FEW_TO_POOL = (
    "No level of this split has {limit} patients or more: nothing may be released. Widen the cohort, or "
    "split by something else."
)


@dataclass(frozen=True, slots=True)
class Prepared:
    """A table ready to be looked at, and what the ledger will keep of how it came about."""

    frozen: FrozenCounts
    in_cohort: int
    snapshot_at: str

    @property
    def digest(self) -> str:
        """Tells whether two tables show and say the same."""
        return sha256(f"{self.frozen.asked}{counts_csv(self.frozen)}".encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class PreparedPooled:
    """Counts to be pooled, and what the ledger will keep of how they came about."""

    asked: Asked
    counts: pooled.PooledCounts
    in_cohort: int
    snapshot_at: str
    record_version: int


def prepare_counts(asked: Asked, rows: str, columns: str, by: User) -> Prepared:
    """Count and hide a two-way table; `rows` and `columns` as tables.SPLITS and COLUMN_SPLITS.

    Raises
    ------
    PermissionDenied, ValidationError
        As making.gate and tables.two_way, by field.
    ReleaseRefusedError
        The table cannot be made safe.
    """
    which = _which(asked, by)
    with snapshot():
        at, record_version = timezone.localtime(), data_version()
        counted = tables.two_way(which, rows, columns)
        in_cohort = which.cohort.repairs(which.units).count()
        sentence = which.cohort.sentence(which.units, leaves=True)
    try:
        suppressed = suppress(counted.table, asked.k, counted.people)
    except CannotSuppressError as problem:
        raise ReleaseRefusedError(str(problem)) from problem
    told = which.definition if columns == tables.OUTCOME else None
    frozen = FrozenCounts(
        asked=asked,
        software=_software(),
        month=at.strftime("%Y-%m"),
        record_version=record_version,
        cohort_sentence=sentence,
        definition_name=told.name if told else "Not told",
        definition_sentence=told.sentence if told else NO_OUTCOME,
        definition_cautions=told.cautions if told else (),
        rows=counted.rows,
        columns=counted.columns,
        suppressed=suppressed,
        limit=asked.k,
    )
    return Prepared(frozen, in_cohort, at.isoformat())


def release_counts(prepared: Prepared, by: User) -> LedgerEntry:
    """Pack a table, enter it in the ledger, and let it be seen, in this order."""
    frozen = prepared.frozen
    making.gate(frozen.asked, by)
    content = {
        "asked": {**frozen.asked.as_json(), "rows": frozen.rows.code, "columns": frozen.columns.code},
        "cohort": frozen.cohort_sentence,
        "snapshot_at": prepared.snapshot_at,
        "record_version": frozen.record_version,
        "software": frozen.software,
        "columns": {"counts": CSV_COLUMNS},
        "rows": {"in_cohort": prepared.in_cohort, "permitted": frozen.total, "released": frozen.total},
        "limit": frozen.limit,
        "hidden": int(frozen.suppressed.hidden.sum()),
    }
    return _released(LedgerKind.COUNTS, by, content, lambda path: build(frozen, path))


def prepare_pooled(asked: Asked, stratum: str, band_days: int, by: User) -> PreparedPooled:
    """Count a cohort by level, day and event, to be pooled; errors as prepare_counts."""
    if not 1 <= band_days <= pooled.MOST_BAND_DAYS:
        told = BAD_BAND.format(given=band_days, most=pooled.MOST_BAND_DAYS)
        raise ValidationError({"band_days": told})
    if stratum not in STRATA:
        told = tables.UNKNOWN_SPLIT.format(value=stratum, known=", ".join(STRATA))
        raise ValidationError({"stratum": told})
    which = _which(asked, by)
    with snapshot():
        at, record_version = timezone.localtime(), data_version()
        left_out, rows = tables.by_day(which, stratum, band_days, asked.k)
        in_cohort = which.cohort.repairs(which.units).count()
        sentence = which.cohort.sentence(which.units, leaves=True)
    if not rows:
        raise ReleaseRefusedError(TOO_FEW_TO_POOL.format(limit=asked.k))
    counts = pooled.PooledCounts(
        definition=which.definition.code,
        definition_sentence=which.definition.sentence,
        stratum=stratum,
        stratum_title=STRATA[stratum].title,
        levels=dict(STRATA[stratum].levels),
        band_days=band_days,
        smallest_level=asked.k,
        cohort_sentence=sentence,
        month=at.strftime("%Y-%m"),
        left_out=left_out,
        rows=rows,
    )
    return PreparedPooled(asked, counts, in_cohort, at.isoformat(), record_version)


def release_pooled(prepared: PreparedPooled, by: User) -> LedgerEntry:
    """Pack counts to be pooled, enter them in the ledger, and let them be seen, in this order."""
    asked, counts = prepared.asked, prepared.counts
    making.gate(asked, by)
    content = {
        "asked": {**asked.as_json(), "stratum": counts.stratum, "band_days": counts.band_days},
        "cohort": counts.cohort_sentence,
        "snapshot_at": prepared.snapshot_at,
        "record_version": prepared.record_version,
        "software": _software(),
        "columns": {"rows": pooled.ROW},
        "rows": {"in_cohort": prepared.in_cohort, "released": counts.n},
        "limit": asked.k,
        "left_out": counts.left_out.levels,
    }
    return _released(
        LedgerKind.POOLED, by, content, lambda path: build_pooled(asked, counts, _software(), path)
    )


def _which(asked: Asked, by: User) -> tables.Which:
    units = making.gate(asked, by)
    cohort = Cohort.from_query(asked.cohort, units)
    return tables.Which(cohort, units, definition_coded(asked.definition), timezone.localdate(), by)


def _software() -> str:
    return f"rimward {version('rimward')}"


def _released(
    kind: LedgerKind, by: User, content: dict[str, Any], write: Callable[[Path], str]
) -> LedgerEntry:
    uuid = uuid4()
    digest, size = store.keep(uuid, write)
    entry = ledger.write(kind, by, {**content, "sha256": digest, "size": size, "kept": True}, uuid=uuid)
    store.publish(uuid)
    return entry
