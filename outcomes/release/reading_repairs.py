"""The repairs of a release, as they stand before anything is hidden: pseudonymous, in days, coded.

Keys of the database stand in columns of KEYS, for the other tables to be joined by; they never leave.
"""

from collections.abc import Callable, Iterable, Iterator
from functools import cache, partial
from itertools import islice
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from django.db.models import Case, F, OuterRef, QuerySet, Subquery, Sum, Value, When
from django.db.models.functions import ExtractYear
from pandas.api.types import union_categoricals

from outcomes.failure import FailureDefinition
from outcomes.release.asked import Asked
from outcomes.release.bands import activity_band, age_band, bmi_band
from outcomes.release.columns import (
    BOOLEAN,
    COLUMNS,
    INTEGER,
    JOINED_BY,
    NUMBER,
    QUASI_IDENTIFIERS,
    TEXT,
    YEAR,
    Column,
)
from outcomes.release.frozen import REPAIRS
from outcomes.release.hierarchies import GIVEN_UP, year_code
from outcomes.release.pseudonyms import SHORT_BITS, Pseudonyms
from outcomes.strata import ACUITY, INDICATIONS, LIGAMENT_SURGERY
from outcomes.timeline import FAILED, entered_late, timeline
from registry.database import Days, WholeYears
from registry.models import Repair, SuturePass
from registry.models.repairs import ACCOMPANYING
from registry.rules.indications import PREREQUISITES
from registry.vocabulary import Technique

Row = TypeVar("Row")

CHUNK = 5_000
KEYS = ("tear_key", "operation_key", "knee_key")
_PROCEDURE = "tear__procedure__"
_PATIENT = f"{_PROCEDURE}knee__patient__"
# Annotations must not have the name of a column of the repair, nor of the time line.
_READ = "read_"
# Whole numbers that are never missing; the others may be.
_ALWAYS_THERE = ("days", "at_risk_from", "failed", "revision")
_OF_TEAR = (
    *("meniscus", "pattern", "depth", "radial_location", "length_mm", "rim_zone", "before_popliteal_hiatus"),
    *("tissue", "displaced", "unstable", "root_type", "ramp_type", "treatment"),
)
_OF_REPAIR = (
    *("rasped", "trephined", "shaved", "tunnels", "tibial_fixation", "augmentation", "stable_at_end"),
)
_OF_OPERATION = (
    *("smoking", *PREREQUISITES, "posteromedial_look"),
    *("cartilage_medial", "cartilage_lateral", "cartilage_patellofemoral"),
)
_FLAGS = {"accompanying": ACCOMPANYING, "technique": tuple(Technique.values)}


def read_repairs(
    permitted: QuerySet[Repair],
    definition: FailureDefinition,
    asked: Asked,
    pseudonyms: Pseudonyms,
    tell: Callable[[int], None],
) -> pd.DataFrame:
    """A row a repair: the columns of `columns.COLUMNS`, and KEYS. `tell` hears how many are done."""
    known = {f"{_READ}{name}": expression for name, expression in _expressions().items()}
    names = [*_expressions(), "outcome", "days"]
    rows = timeline(permitted, definition).annotate(**known).values_list(*known, "outcome", "duration_days")
    parts = [
        _told(pd.DataFrame(chunk, columns=names, dtype=object), asked, pseudonyms)
        for chunk in in_chunks(rows.iterator(chunk_size=CHUNK), tell)
    ]
    whole = joined(parts, REPAIRS, KEYS)
    whole["revises"] = whole["revises"].where(whole["revises"].isin(whole["repair"]), "")
    # By pseudonym, so that the order of rows does not tell the order of entry.
    return whole.sort_values("repair", ignore_index=True)


def in_chunks(rows: Iterable[Row], tell: Callable[[int], None]) -> Iterator[list[Row]]:
    """The rows by CHUNK; between two chunks `tell` hears how many went before."""
    done, rest = 0, iter(rows)
    while chunk := list(islice(rest, CHUNK)):
        yield chunk
        done += len(chunk)
        tell(done)


def joined(parts: list[pd.DataFrame], table: str, keys: Iterable[str] = ()) -> pd.DataFrame:
    """Chunks of a table as one, its columns in order and of the type that the codebook tells; then `keys`.

    The chunks are used up, column by column, so that no table is held twice.
    """
    columns = COLUMNS[table]
    named = [*(column.name for column in columns), *keys]
    chunks = parts or [typed(pd.DataFrame(columns=named), columns)]
    return pd.DataFrame(
        {name: _end_to_end([each.pop(name) for each in chunks]) for name in named}, copy=False
    )


def _end_to_end(parts: "list[pd.Series[Any]]") -> Any:
    if isinstance(parts[0].dtype, pd.CategoricalDtype):
        return union_categoricals(parts, sort_categories=True)
    return pd.concat(parts, ignore_index=True)


def typed(table: pd.DataFrame, columns: Iterable[Column]) -> pd.DataFrame:
    """The same table, each column of its type, what was not recorded as the codebook says."""
    return table.assign(**{column.name: _typed(table[column.name], column) for column in columns})


def _typed(values: "pd.Series[Any]", column: Column) -> Any:
    if isinstance(values.dtype, pd.CategoricalDtype):
        return values
    if column.type == INTEGER:
        return values.astype("int64" if column.name in _ALWAYS_THERE else "Int64")
    if column.type == BOOLEAN:
        return values.astype("boolean")
    if column.type == NUMBER:
        return values.astype("float64")
    if column.type == TEXT:
        return [column.missing if value in ("", None) else str(value) for value in values]
    return _coded(values, column.missing)


def _coded(values: "pd.Series[Any]", missing: str) -> pd.Categorical:
    """The same few codes in every row: a byte or two each, and the codes once, in their order."""
    place, found = pd.factorize(values, use_na_sentinel=False)
    told = np.array([missing if pd.isna(value) or value == "" else str(value) for value in found], object)
    codes, of_found = np.unique(told, return_inverse=True)
    return pd.Categorical.from_codes(of_found[place], pd.Index(codes))


def _expressions() -> dict[str, Any]:
    """What is read of a repair, by column; some of it is told only in bands or by pseudonym."""
    gap: Any = Days(F("recorded_at"), F(f"{_PROCEDURE}operated_on"))
    passes = SuturePass.objects.filter(repair=OuterRef("pk")).order_by().values("repair")
    years: Any = WholeYears(F(f"{_PROCEDURE}operated_on"), F(f"{_PATIENT}born_on"))
    flags = {flag: F(f"tear__{flag}") for flag in ACCOMPANYING} | {flag: F(flag) for flag in Technique.values}
    return {
        "tear_key": F("tear"),
        "operation_key": F("tear__procedure"),
        "knee_key": F(f"{_PROCEDURE}knee"),
        "repair": F("tear__uuid"),
        "revises": F("tear__revises__uuid"),
        "patient": F(f"{_PATIENT}uuid"),
        "knee": F(f"{_PROCEDURE}knee__uuid"),
        "operation": F(f"{_PROCEDURE}uuid"),
        "unit": F(f"{_PROCEDURE}unit"),
        "surgeon": F(f"{_PROCEDURE}lead_surgeon"),
        "age": years,
        "sex": F(f"{_PATIENT}sex"),
        "side": F(f"{_PROCEDURE}knee__side"),
        YEAR: ExtractYear(f"{_PROCEDURE}operated_on"),
        "cause": F(f"{_PROCEDURE}injury_cause"),
        "ligament": LIGAMENT_SURGERY.expression,
        "bmi": F(f"{_PROCEDURE}bmi"),
        "activity": F(f"{_PROCEDURE}preinjury_tegner"),
        "zone": F("tear__vascular_zone"),
        "acuity": ACUITY.expression,
        "indications": INDICATIONS.expression,
        **{name: F(f"tear__{name}") for name in _OF_TEAR},
        **{name: F(name) for name in _OF_REPAIR},
        **{name: F(f"{_PROCEDURE}{name}") for name in _OF_OPERATION},
        **flags,
        "sutures": Subquery(passes.annotate(sum=Sum("number")).values("sum")),
        "revision": Case(When(tear__revises__isnull=False, then=Value(1)), default=Value(0)),
        "at_risk_from": Case(When(entered_late(), then=gap), default=Value(0)),
    }


def _told(read: pd.DataFrame, asked: Asked, pseudonyms: Pseudonyms) -> pd.DataFrame:
    """What was read, as it may be told."""
    told = read.assign(
        **_pseudonymous(read, asked, pseudonyms),
        **_banded(read, asked),
        **{name: _flagged(read, flags) for name, flags in _FLAGS.items()},
        failed=(read["outcome"] == FAILED).astype(int),
    )
    columns = COLUMNS[REPAIRS]
    return typed(told[[*(column.name for column in columns), *KEYS]], columns)


def _pseudonymous(read: pd.DataFrame, asked: Asked, pseudonyms: Pseudonyms) -> dict[str, list[str]]:
    kinds = {"repair": "repair", "revises": "repair", "patient": "patient", "knee": "knee"}
    long = {
        column: [pseudonyms.of(kind, key) if key is not None else "" for key in read[column]]
        for column, kind in {**kinds, "operation": "operation"}.items()
    }
    short = {
        column: _mapped(read[column], partial(pseudonyms.of, column, bits=SHORT_BITS))
        if column in asked.attributes
        else [""] * len(read)
        for column in ("unit", "surgeon")
    }
    return long | short


def _banded(read: pd.DataFrame, asked: Asked) -> dict[str, list[str]]:
    """The quasi-identifiers at their finest, and those not asked for given up."""
    bands: dict[str, Callable[[Any], str]] = {
        "age": age_band,
        "bmi": bmi_band,
        "activity": activity_band,
        # A year without a width is not told at all.
        YEAR: lambda year: year_code(year, asked.year_years) if asked.year_years else GIVEN_UP,
    }
    told = {name: _mapped(read[name], band) for name, band in bands.items()}
    given_up = [GIVEN_UP] * len(read)
    return told | {name: given_up for name in QUASI_IDENTIFIERS if name not in asked.attributes}


def _mapped(values: Iterable[Any], told: Callable[[Any], str]) -> list[str]:
    """Each value told; the same few values are worked out once."""
    remembered = cache(told)
    return [remembered(value) for value in values]


def _flagged(read: pd.DataFrame, flags: tuple[str, ...]) -> list[str]:
    """The names of the flags that are set, joined."""
    names = [flag.removeprefix("with_") for flag in flags]
    rows = zip(*(read[flag] for flag in flags), strict=True)
    return [JOINED_BY.join(name for name, is_set in zip(names, row, strict=True) if is_set) for row in rows]
