"""The record split by patient over four schemas of a PostgreSQL: the same counts, and no key across."""

import json
from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any

import pytest

from outcomes.failure import DEFINITIONS
from registry.sharding import Place, layout
from tests.outcomes.sharded import PATIENTS, SHARDS
from tests.registry.apart import database_beside
from tests.registry.isolation.conftest import ran
from tests.servers import SAID_AT_THE_END

pytestmark = pytest.mark.postgresql
# A row of the count table ends in n and potential_days; all before tell it apart.
ADDED = 2


@pytest.fixture(scope="module")
def split(postgresql_url: str, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    address = database_beside(postgresql_url, "sharded")
    return json.loads(ran("tests.outcomes.sharded", address, tmp_path_factory.mktemp("sharded")))


def added(rows: Iterable[list[Any]]) -> dict[tuple[Any, ...], tuple[int, int]]:
    """Rows alike in all but what is added up, added up."""
    n: Counter[tuple[Any, ...]] = Counter()
    days: Counter[tuple[Any, ...]] = Counter()
    for *by, times, potential in rows:
        n[tuple(by)] += times
        days[tuple(by)] += potential
    return {by: (n[by], days[by]) for by in n}


@pytest.mark.parametrize("definition", DEFINITIONS)
def test_the_counts_of_the_shards_add_up_to_the_whole_row_for_row(
    split: dict[str, Any], definition: str, record_property: Callable[[str, str], None]
) -> None:
    whole = split["whole"][definition]
    parts = [shard[definition] for shard in split["shards"]]
    assert all(parts)
    assert added(row for part in parts for row in part) == added(whole)
    assert len(added(whole)) == len(whole)
    assert sum(row[-ADDED] for row in whole) == split["repairs"]
    record_property(
        SAID_AT_THE_END,
        f"{definition}: {split['repairs']} repairs in {SHARDS} shards, {sum(map(len, parts))} rows of counts "
        f"told, {len(whole)} after adding up",
    )


def test_patients_with_several_repairs_are_whole_in_one_shard(split: dict[str, Any]) -> None:
    """Else a shard would take them for patients with one, and no row would name them."""
    patient = -6
    of_shard = [{row[patient] for row in shard["reoperation"]} - {None} for shard in split["shards"]]
    named = {row[patient] for row in split["whole"]["reoperation"]} - {None}
    assert len(named) > PATIENTS / 10
    assert sum(map(len, of_shard)) == len(named)
    assert set().union(*of_shard) == named


def test_every_row_of_a_patient_is_in_one_shard_and_every_reference_in_all(split: dict[str, Any]) -> None:
    references = {model._meta.db_table for model, at in layout().items() if at.place is Place.EVERYWHERE}
    of_patients = {model._meta.db_table for model, at in layout().items() if at.place is Place.SHARD}
    assert set(split["rows"]) == references | of_patients
    assert all(len(set(split["rows"][table])) == 1 for table in references)
    assert sum(split["rows"]["registry_patient"]) == PATIENTS
    assert sum(split["rows"]["registry_repair"]) == split["repairs"]
    assert all(split["rows"]["registry_patient"])


def test_no_foreign_key_crosses_shards(split: dict[str, Any]) -> None:
    """PostgreSQL put every key of the whole on each shard, and refuses a row of another shard's patient."""
    expected = sum(
        len(lies.everywhere) + len(lies.within.foreign) for lies in layout().values() if lies.within
    )
    assert min(split["keys"]) == max(split["keys"]) >= expected
    assert "registry_knee_patient_id" in split["refused"]
    assert len(split["astray"]) == sum(len(lies.within.foreign) for lies in layout().values() if lies.within)
    assert set(split["astray"].values()) == {0}
