"""What became of the released repairs: visits, scores, second looks and reoperations, in days.

An event of a knee is told once for each released operation of that knee on or before it. A score answered
before an operation is told of the next one too, in negative days.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from django.db.models import F, QuerySet, Value
from numpy.typing import NDArray

from outcomes.release.columns import COLUMNS, INSTRUMENTS_KEPT_BACK
from outcomes.release.frozen import LOOKS, REOPERATIONS, SCORES, VISITS
from outcomes.release.reading_repairs import CHUNK, in_chunks, joined, typed
from registry.database import Days
from registry.models import (
    IndexProcedure,
    Reoperation,
    ReoperationOnTear,
    Repair,
    ScoreResponse,
    SecondLookFinding,
    Visit,
)
from registry.rules.healing import second_look_class
from registry.scoring import INSTRUMENTS

# Days are counted from here, so that no date is ever handled; only differences leave.
_COUNTED_FROM = Value(date(2000, 1, 1))
_EVENT = ["knee_key", "on"]
_LIMITS = ("healed_cleft_below_percent", "failed_cleft_from_percent")


@dataclass(frozen=True, slots=True)
class Released:
    """The released repairs to which events are told, and the operations of their knees.

    `permitted` is the query of the repairs, `repairs` their table with its KEYS.
    """

    permitted: QuerySet[Repair]
    repairs: pd.DataFrame
    operations: pd.DataFrame

    @property
    def knees(self) -> QuerySet[Any, Any]:
        """The keys of the knees, as a query."""
        return self.permitted.order_by().values("tear__procedure__knee")


def released(permitted: QuerySet[Repair], repairs: pd.DataFrame) -> Released:
    """The repairs with every operation on record of their knees, released or not."""
    knees = permitted.order_by().values("tear__procedure__knee")
    rows = (
        IndexProcedure.objects.filter(knee__in=knees)
        .order_by()
        .values_list("pk", "knee", _day("operated_on"))
    )
    every = pd.DataFrame(list(rows), columns=["operation_key", "knee_key", "operated"])
    told = _named_once(repairs.drop_duplicates("operation_key"), "operation_key", "operation", "patient")
    operations = every.merge(told, on="operation_key", how="left")
    return Released(permitted, repairs, operations.assign(is_released=operations["operation"].notna()))


def visits_of(known: Released, tell: Callable[[int], None]) -> pd.DataFrame:
    """A row for each visit after each released operation."""
    fields = [name for name in _names(VISITS) if name not in ("operation", "patient", "days")]
    rows = _of_knees(Visit.objects.all(), known, "seen_on", *fields)
    parts = (_after(chunk, known) for chunk in _frames(rows, [*_EVENT, *fields], tell))
    return _in_order(parts, VISITS)


def scores_of(known: Released, tell: Callable[[int], None]) -> pd.DataFrame:
    """A row for each scale of each form answered after a released operation, or before the next one."""
    codes = [code for code in INSTRUMENTS if code not in INSTRUMENTS_KEPT_BACK]
    kept = ScoreResponse.objects.filter(instrument__in=codes)
    rows = _of_knees(kept, known, "answered_on", "instrument", "instrument_version", "scale_values")
    named = [*_EVENT, "instrument", "version", "scale_values"]
    parts = (_attached(_by_scale(chunk), known) for chunk in _frames(rows, named, tell))
    return _in_order(parts, SCORES)


def looks_of(known: Released, tell: Callable[[int], None]) -> pd.DataFrame:
    """A row for each released repair seen at a second look."""
    own = {name: name for name in _names(LOOKS) if name not in ("repair", "patient", "days", "class")}
    limits = {name: f"look__knee__patient__unit__{name}" for name in _LIMITS}
    days = Days(F("look__looked_on"), F("tear__procedure__operated_on"))
    rows = (
        SecondLookFinding.objects.filter(tear__in=known.permitted.order_by().values("tear"))
        .order_by()
        .annotate(days=days)
        .values_list("tear", "days", *(own | {"reason": "look__reason"} | limits).values())
    )
    tears = _named_once(known.repairs, "tear_key", "repair", "patient")
    parts = (
        chunk.merge(tears, on="tear_key").assign(**{"class": lambda seen: _classes(seen)})
        for chunk in _frames(rows, ["tear_key", "days", *own, *limits], tell)
    )
    return _in_order(parts, LOOKS)


def reoperations_of(known: Released, tell: Callable[[int], None]) -> pd.DataFrame:
    """A row for each released repair operated on at a reoperation, or one where it was none of them."""
    rows = _of_knees(Reoperation.objects.all(), known, "operated_on", "pk", "planned", "other_surgery")
    named = [*_EVENT, "event_key", "planned", "other_surgery"]
    on_repairs = _on_repairs(known)
    parts = (
        _after(chunk, known).merge(on_repairs, on=["event_key", "operation_key"], how="left")
        for chunk in _frames(rows, named, tell)
    )
    return _in_order((part.fillna({"repair": "", "site": "", "action": ""}) for part in parts), REOPERATIONS)


def _on_repairs(known: Released) -> pd.DataFrame:
    tears = known.permitted.order_by().values("tear")
    rows = ReoperationOnTear.objects.filter(tear__in=tears).order_by()
    named = ["event_key", "tear_key", "site", "action"]
    read = pd.DataFrame(list(rows.values_list("reoperation", "tear", "site", "action")), columns=named)
    repaired = _named_once(known.repairs, "tear_key", "repair").join(known.repairs["operation_key"])
    return read.merge(repaired, on="tear_key")


def _named_once(rows: pd.DataFrame, key: str, *names: str) -> pd.DataFrame:
    """A key with its pseudonyms, each of which is kept once, in order, however many events tell it."""
    return rows[[key]].assign(
        **{name: pd.Categorical(rows[name], ["", *np.unique(rows[name])]) for name in names}
    )


def _day(field: str) -> Any:
    return Days(F(field), _COUNTED_FROM)


def _names(table: str) -> list[str]:
    return [column.name for column in COLUMNS[table]]


def _of_knees(rows: QuerySet[Any, Any], known: Released, day: str, *fields: str) -> QuerySet[Any, Any]:
    events: QuerySet[Any, Any] = (
        rows.filter(knee__in=known.knees).order_by().values_list("knee", _day(day), *fields)
    )
    return events


def _frames(
    rows: QuerySet[Any, Any], names: list[str], tell: Callable[[int], None]
) -> Iterator[pd.DataFrame]:
    for chunk in in_chunks(rows.iterator(chunk_size=CHUNK), tell):
        frame = pd.DataFrame(chunk, columns=names, dtype=object)
        whole = {name: "int64" for name in names if name.endswith("_key") or name in ("on", "days")}
        yield frame.astype(whole)


def _by_scale(forms: pd.DataFrame) -> pd.DataFrame:
    """A row a scale, of those that the form has; a version that it never had is not told."""
    rows = [
        (
            knee,
            on,
            code,
            version if version in INSTRUMENTS[code].rules else "",
            scale.code,
            values[scale.code],
        )
        for knee, on, code, version, values in forms.itertuples(index=False, name=None)
        for scale in INSTRUMENTS[code].scales
        if scale.code in values
    ]
    return pd.DataFrame(rows, columns=[*_EVENT, "instrument", "version", "scale", "value"])


def _beside(events: pd.DataFrame, known: Released) -> pd.DataFrame:
    """Each event beside each operation of its knee, with the days between."""
    beside = events.reset_index(names="event").merge(known.operations, on="knee_key")
    return beside.assign(days=beside["on"] - beside["operated"])


def _after(events: pd.DataFrame, known: Released) -> pd.DataFrame:
    beside = _beside(events, known)
    return beside[beside["is_released"] & (beside["days"] >= 0)]


def _attached(events: pd.DataFrame, known: Released) -> pd.DataFrame:
    """Each event after each released operation, and before the knee's next one where that is released."""
    beside = _beside(events, known)
    before = beside[beside["days"] < 0]
    following = before.loc[before.groupby("event")["days"].idxmax()]
    told = pd.concat([beside[beside["days"] >= 0], following])
    return told[told["is_released"]]


def _classes(seen: pd.DataFrame) -> list[str]:
    measured = ("healed_thickness_percent", "healed_length_percent", *_LIMITS)
    rows = zip(*(seen[name] for name in measured), strict=True)
    return [second_look_class(*row) or "" for row in rows]


def _in_order(parts: Any, table: str) -> pd.DataFrame:
    """The table sorted by every column, so that nothing tells in which order it was entered."""
    columns = COLUMNS[table]
    names = [column.name for column in columns]
    whole = joined([typed(part[names], columns) for part in parts], table)
    order = np.lexsort([_rank(whole[name]) for name in reversed(names)])
    return pd.DataFrame({name: whole.pop(name).array.take(order) for name in names}, copy=False)


def _rank(values: "pd.Series[Any]") -> NDArray[Any]:
    """Numbers in the order of the values, what is missing last; codes are kept in order already."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        return values.cat.codes.to_numpy()
    return values.to_numpy("float64", na_value=np.nan)
