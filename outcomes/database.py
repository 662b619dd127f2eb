"""The few database expressions that differ between SQLite and PostgreSQL."""

from typing import Any

from django.db.models import Func, IntegerField


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
