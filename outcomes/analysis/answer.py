"""What a method answers: plain values for JSON, and the sentences that go with them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.analysis.options import Asked
from outcomes.analysis.reading import Table
from outcomes.estimators.cautions import Caution

Values = dict[str, Any]
Places = NDArray[np.intp]

EVERYBODY = "all"


class Result(Protocol):
    """What every estimator's result says of itself."""

    @property
    def method(self) -> str: ...
    @property
    def reference(self) -> str: ...
    @property
    def cautions(self) -> tuple[Caution, ...]: ...


@dataclass(frozen=True, slots=True)
class Answer:
    """Values as JSON prints them; how they were found, where that is published, what to bear in mind."""

    values: Values
    methods: tuple[str, ...]
    references: tuple[str, ...]
    cautions: tuple[str, ...]


def answer(values: Values, *results: Result, cautions: Iterable[str] = ()) -> Answer:
    """Put values and what their results say together, each sentence once."""
    own = (caution.sentence for result in results for caution in result.cautions)
    return Answer(
        values,
        _once(result.method for result in results),
        _once(result.reference for result in results),
        _once((*own, *cautions)),
    )


def answer_by_group(values: Mapping[str, Values], results: Mapping[str, Result]) -> Answer:
    """The same for one result a group; cautions name their group."""
    methods = _once(result.method for result in results.values())
    references = _once(result.reference for result in results.values())
    cautions = (
        caution.sentence if list(results) == [EVERYBODY] else f"{name}: {caution.sentence}"
        for name, result in results.items()
        for caution in result.cautions
    )
    return Answer({"groups": dict(values)}, methods, references, _once(cautions))


def _once(sentences: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(sentences))


def places_by_group(table: Table, asked: Asked) -> dict[str, Places]:
    """Where the rows of each group are, groups in order of their text; all together if none was named."""
    if asked.group is None:
        return {EVERYBODY: np.arange(len(table))}
    groups = pd.Series(table.column(asked.group).labels())
    return {str(name): np.asarray(places) for name, places in groups.groupby(groups).indices.items()}


def picked(result: object, *names: str) -> Values:
    """The named attributes of a result."""
    return {name: getattr(result, name) for name in names}
