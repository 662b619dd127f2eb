"""Many rows of one table into the database at once; its constraints and triggers stay on.

Django's own bulk insert asks every field about every value of every row, which costs several times the insert
itself. Here rows are plain values: PostgreSQL takes them by COPY, SQLite by one prepared statement. To make
them `ready` needs no connection and may be done in another process than to `put` them.
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import partial
from operator import itemgetter
from typing import Any
from uuid import UUID

from django.core.management.color import no_style
from django.db import connection
from django.db.models import Field, JSONField, Model

from registry.isolation.scope import is_restricted

Row = Mapping[str, Any]
Table = type[Model]

# Kinds of field whose plain Python value the driver does not take as it is.
_PREPARED = {"postgresql": {"JSONField"}, "sqlite": {"JSONField", "UUIDField", "DateTimeField"}}
# What a line of COPY cannot hold as it is.
_ESCAPES = str.maketrans({"\\": r"\\", "\n": r"\n", "\r": r"\r", "\t": r"\t"})


@dataclass(frozen=True, slots=True)
class Ready:
    """Rows of one table as the database takes them: the text of a COPY, or values for one statement."""

    table: Table
    columns: tuple[str, ...]
    number: int
    content: bytes | list[list[Any]]


def write(table: Table, rows: Sequence[Row]) -> None:
    """Insert rows given as values by field name (`knee_id`, not `knee`), all with the same fields.

    Fields that they leave out get their default. Raises django.db.DatabaseError where a rule is broken.
    """
    put(ready(table, rows, takes_copy()))


def takes_copy() -> bool:
    """Whether this database takes COPY from this role: COPY knows no row-level security."""
    return connection.vendor == "postgresql" and not is_restricted(connection)


def ready(table: Table, rows: Sequence[Row], as_copy: bool) -> Ready:
    """Rows as of `write`, for the database to `put`; nothing is asked of the database."""
    fields = sorted(table._meta.concrete_fields, key=lambda field: field.attname not in rows[0])
    columns, values = tuple(str(field.column) for field in fields), _values(fields, rows, as_copy)
    if not as_copy:
        return Ready(table, columns, len(rows), values)
    text = "".join(["\t".join([_WORDS[type(each)](each) for each in row]) + "\n" for row in values])
    return Ready(table, columns, len(rows), text.encode())


def put(told: Ready) -> None:
    """Insert what is ready."""
    name = connection.ops.quote_name(told.table._meta.db_table)
    columns = ", ".join(map(connection.ops.quote_name, told.columns))
    with connection.cursor() as cursor:
        if isinstance(told.content, bytes):
            copying = cursor.copy(f"COPY {name} ({columns}) FROM STDIN")
            with connection.wrap_database_errors, copying as copy:
                copy.write(told.content)
        else:
            places = ", ".join(["%s"] * len(told.columns))
            insert = f"INSERT INTO {name} ({columns}) VALUES ({places})"  # noqa: S608 - names of the models' own
            cursor.executemany(insert, told.content)


def insert(rows: Sequence[Model]) -> None:
    """Insert new rows of one table within a transaction; they then know their keys."""
    table = type(rows[0])
    fields = table._meta.concrete_fields
    for row, key in zip(rows, _new_keys(table, len(rows)), strict=True):
        row.pk = key
    write(table, [{field.attname: field.pre_save(row, True) for field in fields} for row in rows])
    for row in rows:
        row._state.adding, row._state.db = False, connection.alias


def _new_keys(table: Table, number: int) -> list[int]:
    """Keys that nobody else is given; SQLite has one writer at a time, and no row is ever deleted."""
    name, key = table._meta.db_table, str(table._meta.pk.column)
    quoted = f"SELECT MAX({connection.ops.quote_name(key)}) FROM {connection.ops.quote_name(name)}"  # noqa: S608
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT nextval(pg_get_serial_sequence(%s, %s)) FROM generate_series(1, %s)",
                [name, key, number],
            )
            return [found for (found,) in cursor.fetchall()]
        cursor.execute(quoted)
        last = cursor.fetchone()[0] or 0
    return list(range(last + 1, last + 1 + number))


def reset_sequences(tables: Iterable[Table]) -> None:
    """Let the database's own keys go on after those that were written."""
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), list(tables)):
            cursor.execute(statement)


def note_sizes(tables: Iterable[Table]) -> None:
    """Let the database plan by what was just written.

    PostgreSQL's own count comes round to it later, SQLite guesses until it is told: at 100,000 repairs it
    went through all tears for each page of Repairs.
    """
    with connection.cursor() as cursor:
        for table in tables:
            cursor.execute(f"ANALYZE {connection.ops.quote_name(table._meta.db_table)}")


def check_at_once() -> None:
    """Let foreign keys be checked at each statement of this transaction, not all of them at its end.

    PostgreSQL would keep every check in memory until then.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")


def _values(fields: Sequence["Field[Any, Any]"], rows: Sequence[Row], as_copy: bool) -> list[list[Any]]:
    """Values of each row in the order of `fields`, of which those that rows leave out come last."""
    given = [field.attname for field in fields if field.attname in rows[0]]
    left_out = fields[len(given) :]
    to_prepare = [
        (place, _preparing(field, as_copy)) for place, field in enumerate(fields) if _is_prepared(field)
    ]
    in_order = itemgetter(*given)
    told = []
    for row in rows:
        values = [*in_order(row), *[field.get_default() for field in left_out]]
        for place, prepare in to_prepare:
            values[place] = prepare(values[place])
        told.append(values)
    return told


def _is_prepared(field: "Field[Any, Any]") -> bool:
    return field.get_internal_type() in _PREPARED[connection.vendor]


def _preparing(field: "Field[Any, Any]", as_copy: bool) -> Callable[[Any], Any]:
    if as_copy and isinstance(field, JSONField):
        return partial(_json, encoder=field.encoder)
    return partial(field.get_db_prep_save, connection=connection)


def _json(value: Any, encoder: type[json.JSONEncoder] | None) -> str | None:
    return None if value is None else json.dumps(value, cls=encoder)


class _Words(dict[type, Callable[[Any], str]]):
    """How a value of each type stands in a line of COPY; one of a type derived from it stands likewise."""

    def __missing__(self, kind: type) -> Callable[[Any], str]:
        known = next((each for each in kind.__mro__ if each in self), None)
        if known is None:
            raise TypeError(f"COPY is not told a {kind.__name__}.")
        self[kind] = self[known]
        return self[kind]


_WORDS = _Words(
    {
        type(None): lambda _: r"\N",
        str: lambda value: value.translate(_ESCAPES),
        bool: lambda value: "t" if value else "f",
        int: int.__repr__,
        float: float.__repr__,
        Decimal: str,
        date: str,
        UUID: lambda value: value.hex,
        bytes: lambda value: rf"\\x{value.hex()}",
    }
)
