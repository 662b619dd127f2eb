# ruff: noqa: S608 - every name in this SQL is a setting of the site or a table of the models
"""The application's role of PostgreSQL, made by the owner: what it may do and how long."""

from collections.abc import Iterable, Iterator
from typing import Any

from django.conf import settings
from django.db import DEFAULT_DB_ALIAS, connections, transaction

from registry.isolation import policies
from registry.isolation.erasing import erasing_role
from registry.isolation.grants import Grant, grants, grants_of_erasing
from registry.isolation.scope import LIMITS
from registry.isolation.views import views

# What no role of the application may be.
POWERS = {
    "rolsuper": "is a superuser",
    "rolbypassrls": "looks past row-level security",
    "rolcreatedb": "may create databases",
    "rolcreaterole": "may create roles",
    "rolreplication": "may replicate",
    "rolinherit": "inherits what other roles may do",
}
_HELD = """
    SELECT c.relname, a.privilege_type FROM pg_class c, aclexplode(c.relacl) a
    WHERE c.relnamespace = 'public'::regnamespace AND c.relkind IN ('r', 'v') AND a.grantee = %s::regrole
    UNION ALL
    SELECT c.relname, a.privilege_type || ' (' || t.attname || ')'
    FROM pg_class c JOIN pg_attribute t ON t.attrelid = c.oid, aclexplode(t.attacl) a
    WHERE c.relnamespace = 'public'::regnamespace AND a.grantee = %s::regrole"""


class NotForRolesError(RuntimeError):
    """This database knows no roles, or they are not this session's to make."""


def given() -> dict[str, list[Grant]]:
    """What each of the two roles may do."""
    return {settings.APPLICATION_ROLE: grants(), erasing_role(): grants_of_erasing()}


def set_up() -> None:
    """Make both roles as they ought to be, whatever they were before; all or nothing."""
    with transaction.atomic(), _cursor() as cursor:
        for statement in _statements(cursor):
            cursor.execute(statement)


def differences() -> list[str]:
    """What of roles, rights, limits and policies is not as it ought to be, in words; empty when nothing."""
    with _cursor() as cursor:
        return [said for role in given() for said in _of_role(cursor, role)] + list(_of_database(cursor))


def _cursor() -> Any:
    connection = connections[DEFAULT_DB_ALIAS]
    if connection.vendor != "postgresql":
        raise NotForRolesError("SQLite knows no roles: there is nothing to set up and nothing to check.")
    cursor = connection.cursor()
    cursor.execute("SELECT current_user")
    if cursor.fetchone()[0] in given():
        raise NotForRolesError("This is the application's own role. Run it as the owner, who migrates.")
    return cursor


def _statements(cursor: Any) -> Iterator[str]:
    database, quoted = _name_of_database(cursor), connections[DEFAULT_DB_ALIAS].ops.quote_name
    for role, held in given().items():
        if not _exists(cursor, role):
            yield f"CREATE ROLE {quoted(role)}"
        login = "LOGIN" if role == settings.APPLICATION_ROLE else "NOLOGIN"
        yield f"ALTER ROLE {quoted(role)} {login} NOINHERIT NOSUPERUSER NOCREATEDB NOCREATEROLE"
        yield f"GRANT CONNECT ON DATABASE {quoted(database)} TO {quoted(role)}"
        yield f"GRANT USAGE ON SCHEMA public TO {quoted(role)}"
        yield f"REVOKE ALL ON ALL TABLES IN SCHEMA public FROM {quoted(role)}"
        yield f"GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO {quoted(role)}"
        for grant in held:
            yield from grant.statements(role)
        yield f"GRANT SELECT ON {', '.join(views())} TO {quoted(role)}"
        for name in LIMITS:
            yield f"ALTER ROLE {quoted(role)} SET {name} = '{settings.DATABASE_LIMITS[name]}'"
    yield f"GRANT {quoted(erasing_role())} TO {quoted(settings.APPLICATION_ROLE)}"
    yield from _password(quoted(settings.APPLICATION_ROLE))
    yield "REVOKE CREATE ON SCHEMA public FROM PUBLIC"
    # A table of one's own making could stand in for one of the record.
    yield f"REVOKE TEMPORARY ON DATABASE {quoted(database)} FROM PUBLIC"


def _password(role: str) -> Iterator[str]:
    """The password as PostgreSQL keeps it (SCRAM, RFC 5802): the plain one never leaves this process."""
    if settings.APPLICATION_ROLE_PASSWORD:
        session = connections[DEFAULT_DB_ALIAS].connection.pgconn
        kept = session.encrypt_password(
            settings.APPLICATION_ROLE_PASSWORD.encode(), settings.APPLICATION_ROLE.encode(), b"scram-sha-256"
        )
        yield f"ALTER ROLE {role} PASSWORD '{kept.decode()}'"


def _of_role(cursor: Any, role: str) -> Iterator[str]:
    if not _exists(cursor, role):
        yield f"The role {role} does not exist."
        return
    cursor.execute(f"SELECT {', '.join(POWERS)} FROM pg_roles WHERE rolname = %s", [role])
    yield from (
        f"{role} {said}." for has, said in zip(cursor.fetchone(), POWERS.values(), strict=True) if has
    )
    yield from _of_rights(cursor, role)
    cursor.execute("SELECT unnest(coalesce(rolconfig, '{}')) FROM pg_roles WHERE rolname = %s", [role])
    found = {setting for (setting,) in cursor.fetchall()}
    for name in LIMITS:
        if f"{name}={settings.DATABASE_LIMITS[name]}" not in found:
            yield f"{role}: {name} is not {settings.DATABASE_LIMITS[name]}."
    cursor.execute("SELECT relname FROM pg_class WHERE relowner = %s::regrole", [role])
    yield from (f"{role} owns {name}." for (name,) in cursor.fetchall())


def _of_rights(cursor: Any, role: str) -> Iterator[str]:
    cursor.execute(_HELD, [role, role])
    held = set(cursor.fetchall())
    wanted = {(view, "SELECT") for view in views()} | set(_wanted(given()[role]))
    for table, verb in sorted(wanted - held):
        yield f"{role} lacks {verb} on {table}."
    for table, verb in sorted(held - wanted):
        yield f"{role} has {verb} on {table}, which it is not to have."


def _wanted(held: Iterable[Grant]) -> Iterator[tuple[str, str]]:
    for grant in held:
        yield from ((grant.table, verb) for verb in grant.verbs)
        yield from ((grant.table, f"UPDATE ({column})") for column in grant.columns)


def _of_database(cursor: Any) -> Iterator[str]:
    if not policies.are_in_place(DEFAULT_DB_ALIAS):
        yield "The policies of isolation are not those of this release: migrate, as the owner."
    cursor.execute("SELECT has_schema_privilege('public', 'public', 'CREATE')")
    if cursor.fetchone()[0]:
        yield "Everybody may create tables in the schema public."
    cursor.execute("SELECT has_database_privilege('public', current_database(), 'TEMPORARY')")
    if cursor.fetchone()[0]:
        yield "Everybody may create temporary tables."


def _exists(cursor: Any, role: str) -> bool:
    cursor.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", [role])
    return cursor.fetchone() is not None


def _name_of_database(cursor: Any) -> str:
    cursor.execute("SELECT current_database()")
    name: str = cursor.fetchone()[0]
    return name
