"""How the site reaches its database: how long a connection is kept, and what each engine is told."""

from typing import Any

from environs import FileAwareEnv, validate

_env = FileAwareEnv()

# A thread of the site keeps its connection for so long, from one request to the next; 0: a new one each time.
DATABASE_CONNECTION_SECONDS: int = _env.int(
    "DATABASE_CONNECTION_SECONDS", 600, validate=validate.Range(min=0, max=86_400)
)

# To the planner of PostgreSQL a policy or a count looks dear; compiling it to machine code would cost more
# than running it.
NO_JIT = "-c jit=off"
_SQLITE = {
    "timeout": 20,
    "transaction_mode": "IMMEDIATE",
    "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;",
}


def reached(database: dict[str, Any]) -> dict[str, Any]:
    """A database's settings with what its engine needs besides."""
    if database["ENGINE"] == "django.db.backends.sqlite3":
        return database | {"OPTIONS": _SQLITE}
    return database | {
        "CONN_MAX_AGE": DATABASE_CONNECTION_SECONDS,
        # A kept connection is tried before its first use in a request: the server may have been started anew.
        "CONN_HEALTH_CHECKS": True,
        "OPTIONS": _told(database.get("OPTIONS", {})),
    }


def _told(options: dict[str, Any]) -> dict[str, Any]:
    """What libpq is told, with NO_JIT behind what the address says itself."""
    return options | {"options": f"{options.get('options', '')} {NO_JIT}".strip()}
