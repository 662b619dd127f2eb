"""The application's role of the database, and how long its work may last there."""

from environs import FileAwareEnv

__all__ = [
    "APPLICATION_ROLE",
    "APPLICATION_ROLE_PASSWORD",
    "DATABASE_LIMITS",
    "DATABASE_LIMITS_OF_LONG_WORK",
]

_env = FileAwareEnv()

# The role that `manage.py roles` makes for the site; who migrates is the owner, and another.
APPLICATION_ROLE = _env.str("APPLICATION_ROLE", "rimward_app")
# Given to that role by `manage.py roles`; empty: its password is left as it is.
APPLICATION_ROLE_PASSWORD = _env.str("APPLICATION_ROLE_PASSWORD", "")

# A page that waits longer has failed for whoever looks at it; PostgreSQL ends it and rolls it back.
DATABASE_LIMITS = {
    "statement_timeout": _env.str("DATABASE_STATEMENT_TIMEOUT", "60s"),
    "lock_timeout": _env.str("DATABASE_LOCK_TIMEOUT", "15s"),
    "idle_in_transaction_session_timeout": _env.str("DATABASE_IDLE_TIMEOUT", "60s"),
}
# Releases, intakes and commands: one statement may read the whole record, one transaction write thousands of
# rows.
DATABASE_LIMITS_OF_LONG_WORK = {
    "statement_timeout": _env.str("DATABASE_LONG_STATEMENT_TIMEOUT", "30min"),
    "lock_timeout": _env.str("DATABASE_LONG_LOCK_TIMEOUT", "60s"),
    "idle_in_transaction_session_timeout": _env.str("DATABASE_LONG_IDLE_TIMEOUT", "30min"),
}
