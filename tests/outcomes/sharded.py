# ruff: noqa: S608 - every name in this SQL is a table or column of the models
"""A small demo split over schemas as the layout says, and counted in each; run as a program, it prints both.

A schema stands for a machine: it has the tables of its patients and of the references and no other, and while
it is asked no other schema is in sight. The keys of the record are put on its tables by PostgreSQL, which
refuses one that points at a row of another schema.
"""

import json
from collections.abc import Iterator
from datetime import date
from typing import Any
from zlib import crc32

import django

SHARDS = 4
PATIENTS, SEED, UNTIL = 250, 7, date(2026, 6, 1)


def main() -> None:
    from django.db import connection

    from registry.models import Repair
    from tests.tables import make_tables

    make_tables()
    _demo()
    whole = _counts()
    names = [f"shard_{number}" for number in range(SHARDS)]
    with connection.cursor() as cursor:
        rows = _split(cursor, names)
        keys = [_put_keys(cursor, name) for name in names]
        shards = []
        for name in names:
            cursor.execute(f"SET search_path = {name}")
            shards.append(_counts())
        cursor.execute("SET search_path = public")
        refused = _misplaced(cursor, names)
    told = {"repairs": Repair.objects.count(), "rows": rows, "keys": keys, "refused": refused}
    print(json.dumps({**told, "whole": whole, "shards": shards, "astray": _astray()}))  # noqa: T201


def _demo() -> None:
    from registry.demo.cast import Cast
    from registry.demo.load import load
    from registry.demo.scenario import generate
    from registry.demo.truth import Truth

    load(generate(PATIENTS, SEED, UNTIL, Truth.read()), Cast.read(), UNTIL, lambda username: "elder-93")


def _counts() -> dict[str, list[list[Any]]]:
    """The count table by each definition, asked as the pages ask it."""
    from outcomes.counts import count_table
    from outcomes.failure import DEFINITIONS
    from outcomes.strata import MAIN_STRATA
    from registry.models import Repair

    strata = tuple(MAIN_STRATA.values())
    return {
        code: count_table(Repair.objects.all(), definition, strata, UNTIL)
        .astype(object)
        .sort_values(["n", "day"])
        .values.tolist()
        for code, definition in DEFINITIONS.items()
    }


def _placed(place: Any) -> Iterator[Any]:
    from registry.sharding import layout

    return (model for model, lies in layout().items() if lies.place is place)


def _patient_of(model: Any) -> Any:
    """Rows of a table with the patient that the layout's paths lead to."""
    from django.db.models import F
    from django.db.models.functions import Coalesce

    from registry.sharding import paths

    ways = [F("__".join(path) or "pk") for path in paths(model)]
    return model._base_manager.annotate(of=Coalesce(*ways) if len(ways) > 1 else ways[0]).order_by()


def _split(cursor: Any, names: list[str]) -> dict[str, list[int]]:
    """Copy each table into the schemas, its rows by patient; how many went into each."""
    from registry.sharding import Place

    counted: dict[str, list[int]] = {}
    for name in names:
        cursor.execute(f"CREATE SCHEMA {name}")
    for model in _placed(Place.EVERYWHERE):
        counted[model._meta.db_table] = [_copied(cursor, name, model, None) for name in names]
    for model in _placed(Place.SHARD):
        rows = _patient_of(model).exclude(of=None).values_list("pk", "of")
        keys: list[list[Any]] = [[] for _ in names]
        for key, patient in rows:
            keys[crc32(str(patient).encode()) % len(names)].append(key)
        counted[model._meta.db_table] = [
            _copied(cursor, name, model, part) for name, part in zip(names, keys, strict=True)
        ]
    return counted


def _copied(cursor: Any, schema: str, model: Any, keys: list[Any] | None) -> int:
    table = model._meta.db_table
    cursor.execute(f"CREATE TABLE {schema}.{table} (LIKE public.{table} INCLUDING ALL)")
    which, values = ("", []) if keys is None else ("WHERE id = ANY (%s)", [keys])
    cursor.execute(
        f"INSERT INTO {schema}.{table} OVERRIDING SYSTEM VALUE SELECT * FROM public.{table} {which}", values
    )
    return int(cursor.rowcount)


def _keys_of(cursor: Any, schema: str) -> list[tuple[str, str, str]]:
    """The foreign keys of the whole that a schema's tables have: table, name and definition."""
    cursor.execute("SET search_path = public")
    cursor.execute(
        "SELECT conrelid::regclass::text, conname, pg_get_constraintdef(k.oid) FROM pg_constraint k "
        "JOIN pg_tables t ON t.tablename = conrelid::regclass::text AND t.schemaname = %s "
        "WHERE contype = 'f' AND connamespace = 'public'::regnamespace",
        [schema],
    )
    return list(cursor.fetchall())


def _put_keys(cursor: Any, schema: str) -> int:
    """Put every foreign key on a schema's tables; PostgreSQL holds it to the rows at once."""
    keys = _keys_of(cursor, schema)
    cursor.execute(f"SET search_path = {schema}")
    for table, name, said in keys:
        cursor.execute(f"ALTER TABLE {table} ADD CONSTRAINT {name} {said}")
    cursor.execute("SET search_path = public")
    return len(keys)


def _misplaced(cursor: Any, names: list[str]) -> str:
    """What PostgreSQL says when a knee is put into the schema of another patient."""
    from django.db import IntegrityError, transaction

    try:
        with transaction.atomic():
            cursor.execute(
                f"INSERT INTO {names[1]}.registry_knee OVERRIDING SYSTEM VALUE "
                f"SELECT * FROM {names[0]}.registry_knee LIMIT 1"
            )
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    except IntegrityError as refused:
        return str(refused)
    return ""


def _astray() -> dict[str, int]:
    """By foreign key between rows of patients, how many point at a row of another patient."""
    from django.db.models import F

    from registry.sharding import Place, layout

    found = {}
    for model in _placed(Place.SHARD):
        within = layout()[model].within
        for name in within.foreign if within else ():
            target = _patient_of(model._meta.get_field(name).related_model)
            pointing = _patient_of(model).exclude(**{name: None}).values_list(F(name), "of")
            own = dict(target.values_list("pk", "of"))
            found[f"{model.__name__}.{name}"] = sum(own[key] != of for key, of in pointing)
    return found


if __name__ == "__main__":
    django.setup()
    main()
