"""Tables of a database, and what of them is nobody's work."""

from django.db import connections
from django.db.migrations.recorder import MigrationRecorder

# What `migrate` itself writes into an empty database, and counts that nobody entered.
_OF_MIGRATE = {
    "django_migrations",
    "django_content_type",
    "auth_permission",
    "registry_dataversion",
}


def tables_in(using: str) -> list[str]:
    """Every table of a database, by name."""
    connection = connections[using]
    with connection.cursor() as cursor:
        return sorted(connection.introspection.table_names(cursor))


def migrations_in(using: str) -> list[str]:
    """Every migration that was applied."""
    applied = MigrationRecorder(connections[using]).applied_migrations()
    return sorted(f"{app}.{name}" for app, name in applied)


def rows_of_people(using: str) -> int:
    """Rows that an installation without anybody's work would not have."""
    connection = connections[using]
    total = 0
    with connection.cursor() as cursor:
        for table in set(tables_in(using)) - _OF_MIGRATE:
            cursor.execute(f"SELECT count(*) FROM {connection.ops.quote_name(table)}")  # noqa: S608
            total += cursor.fetchone()[0]
    return total
