"""The few database expressions of the record that differ between SQLite and PostgreSQL."""

from datetime import date
from typing import Any

from django.db.models import DateField, Func, IntegerField, Value

# Later and earlier than any date in the record: stand in for "never" in comparisons inside the database.
NEVER, LONG_AGO = date(9999, 12, 31), date(1, 1, 1)


def never() -> Value:
    """The day that stands for "never", as an expression."""
    return Value(NEVER, output_field=DateField())


def long_ago() -> Value:
    """The day that stands for "never before", as an expression."""
    return Value(LONG_AGO, output_field=DateField())


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
