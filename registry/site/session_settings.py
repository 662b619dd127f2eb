"""Settings of sessions: how long one lasts. Both limits are held by registry/signing_in/sessions.py."""

from environs import FileAwareEnv, validate

env = FileAwareEnv()

__all__ = [
    "SESSION_COOKIE_AGE",
    "SESSION_COOKIE_HTTPONLY",
    "SESSION_COOKIE_SAMESITE",
    "SESSION_ENGINE",
    "SESSION_EXPIRE_AT_BROWSER_CLOSE",
    "SESSION_HOURS",
    "SESSION_IDLE_MINUTES",
]

SESSION_ENGINE = "registry.signing_in.sessions"
# After so long without a request, and so long after it began whatever happens, a session has ended.
SESSION_IDLE_MINUTES: int = env.int("SESSION_IDLE_MINUTES", 30, validate=validate.Range(min=5, max=120))
SESSION_HOURS: int = env.int("SESSION_HOURS", 12, validate=validate.Range(min=1, max=24))
SESSION_COOKIE_AGE = SESSION_HOURS * 60 * 60
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_EXPIRE_AT_BROWSER_CLOSE = True
