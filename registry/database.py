"""What of the database the record has to know: expressions that differ by engine, very many rows."""

from collections.abc import Iterator
from datetime import date
from typing import Any

from django.core.exceptions import EmptyResultSet
from django.db import connections
from django.db.models import DateField, Func, IntegerField, QuerySet, Value

# Later and earlier than any date in the record: stand in for "never" in comparisons inside the database.
NEVER, LONG_AGO = date(9999, 12, 31), date(1, 1, 1)


def never() -> Value:
    """The day that stands for "never", as an expression."""
    return Value(NEVER, output_field=DateField())


def long_ago() -> Value:
    """The day that stands for "never before", as an expression."""
    return Value(LONG_AGO, output_field=DateField())


ROWS_AT_ONCE = 20_000


def in_pieces(rows: QuerySet[Any, Any]) -> Iterator[list[Any]]:
    """All rows of a query of plain numbers, ROWS_AT_ONCE at a time and as the driver gives them.

    For queries of very many rows: Django's ways keep a tuple of each, or have PostgreSQL plan for few.
    """
    connection = connections[rows.db]
    try:
        sql, parameters = rows.query.get_compiler(connection=connection).as_sql()
    except EmptyResultSet:
        return
    with connection.cursor() as cursor:
        cursor.execute(sql, parameters)
        while found := cursor.fetchmany(ROWS_AT_ONCE):
            yield found


class Days(Func):
    """Whole days from the second date to the first, counted by the database; either may carry a time."""

    arity = 2
    output_field = IntegerField()

    def as_sql(self, compiler: Any, connection: Any, *_: Any, **extra: Any) -> Any:
        # julianday is native C; Django's own date difference calls back into Python for every row.
        template = "CAST(julianday(date(%(expressions)s)) AS INTEGER)"
        return super().as_sql(
            compiler, connection, template=template, arg_joiner=")) - julianday(date(", **extra
        )

    def as_postgresql(self, compiler: Any, connection: Any, **extra: Any) -> Any:
        return super().as_sql(
            compiler, connection, template="((%(expressions)s)::date)", arg_joiner=")::date - (", **extra
        )


class WholeYears(Func):
    """Completed years from the second date to the first: WholeYears(date, earlier date)."""

    # A date written as the number 20240301: differences in ten thousands are completed years.
    arity = 2
    output_field = IntegerField()

    def as_sql(self, compiler: Any, connection: Any, *_: Any, **extra: Any) -> Any:
        template = "((CAST(strftime('%%%%Y%%%%m%%%%d', %(expressions)s) AS INTEGER)) / 10000)"
        between = ") AS INTEGER) - CAST(strftime('%%Y%%m%%d', "
        return super().as_sql(compiler, connection, template=template, arg_joiner=between, **extra)

    def as_postgresql(self, compiler: Any, connection: Any, **extra: Any) -> Any:
        template = "((to_char(%(expressions)s, 'YYYYMMDD')::int) / 10000)"
        between = ", 'YYYYMMDD')::int - to_char("
        return super().as_sql(compiler, connection, template=template, arg_joiner=between, **extra)


class DaysAfter(Func):
    """The date so many whole days after a date: DaysAfter(date, days)."""

    arity = 2
    output_field = DateField()

    def as_sql(self, compiler: Any, connection: Any, *_: Any, **extra: Any) -> Any:
        return super().as_sql(
            compiler,
            connection,
            template="date(%(expressions)s || ' days')",
            arg_joiner=", ",
            **extra,
        )

    def as_postgresql(self, compiler: Any, connection: Any, **extra: Any) -> Any:
        return super().as_sql(
            compiler, connection, template="((%(expressions)s))", arg_joiner=")::date + (", **extra
        )
