"""Many rows of one table into the database at once; its constraints and triggers stay on.

Django's own bulk insert asks every field about every value of every row, which costs several times the insert
itself. Here rows are plain values: PostgreSQL takes them by COPY, SQLite by one prepared statement.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from operator import itemgetter
from typing import Any

from django.core.management.color import no_style
from django.db import connection
from django.db.models import Field, Model

from registry.isolation.scope import is_restricted

Row = Mapping[str, Any]
Table = type[Model]

# Kinds of field whose plain Python value the driver does not take as it is.
_PREPARED = {"postgresql": {"JSONField"}, "sqlite": {"JSONField", "UUIDField", "DateTimeField"}}


def write(table: Table, rows: Sequence[Row]) -> None:
    """Insert rows given as values by field name (`knee_id`, not `knee`), all with the same fields.

    Fields that they leave out get their default. Raises django.db.DatabaseError where a rule is broken.
    """
    fields = table._meta.concrete_fields
    name = connection.ops.quote_name(table._meta.db_table)
    columns = ", ".join(connection.ops.quote_name(str(field.column)) for field in fields)
    with connection.cursor() as cursor:
        # COPY knows no row-level security.
        if connection.vendor == "postgresql" and not is_restricted(connection):
            copying = cursor.copy(f"COPY {name} ({columns}) FROM STDIN")
            with connection.wrap_database_errors, copying as copy:
                for values in _values(fields, rows):
                    copy.write_row(values)
        else:
            places = ", ".join(["%s"] * len(fields))
            insert = f"INSERT INTO {name} ({columns}) VALUES ({places})"  # noqa: S608 - names of the models' own
            cursor.executemany(insert, list(_values(fields, rows)))


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
    """Let PostgreSQL plan by what was just written, before its own count of rows comes round to it."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            for table in tables:
                cursor.execute(f"ANALYZE {connection.ops.quote_name(table._meta.db_table)}")


def _values(fields: Sequence["Field[Any, Any]"], rows: Sequence[Row]) -> Iterator[list[Any]]:
    """Values of each row in the order of the columns, ready for the driver."""
    left_out = [field for field in fields if field.attname not in rows[0]]
    in_order = itemgetter(*(field.attname for field in fields))
    to_prepare = [(place, field) for place, field in enumerate(fields) if _is_prepared(field)]
    for row in rows:
        values = list(in_order({**row, **{field.attname: field.get_default() for field in left_out}}))
        for place, field in to_prepare:
            values[place] = field.get_db_prep_save(values[place], connection)
        yield values


def _is_prepared(field: "Field[Any, Any]") -> bool:
    return field.get_internal_type() in _PREPARED[connection.vendor]
