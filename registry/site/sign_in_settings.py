"""Settings of signing in: second factor, confirming, lock-out, the rule of passwords."""

from datetime import timedelta
from typing import Any

from environs import FileAwareEnv, validate

env = FileAwareEnv()
_PRODUCTION = env.str("RIMWARD_MODE", "local") == "production"

__all__ = [
    "AUTHENTICATION_BACKENDS",
    "AUTH_PASSWORD_VALIDATORS",
    "AXES_CLIENT_IP_CALLABLE",
    "AXES_COOLOFF_TIME",
    "AXES_DISABLE_ACCESS_LOG",
    "AXES_FAILURE_LIMIT",
    "AXES_HANDLER",
    "AXES_LOCKOUT_CALLABLE",
    "AXES_LOCKOUT_PARAMETERS",
    "AXES_RESET_COOL_OFF_ON_FAILURE_DURING_LOCKOUT",
    "AXES_RESET_ON_SUCCESS",
    "AXES_USERNAME_CALLABLE",
    "AXES_VERBOSE",
    "BEHIND_TLS_PROXY",
    "CONFIRM_WITHIN",
    "HALF_WAY_FOR",
    "PASSWORD_HASHERS",
    "SECOND_FACTOR",
]

# "required" of everybody who sees identities, takes in, releases or manages a unit; or "offered" to all.
SECOND_FACTOR: str = env.str(
    "SECOND_FACTOR",
    "required" if _PRODUCTION else "offered",
    validate=validate.OneOf(["required", "offered"]),
)
# How long showing who one is counts before identities, releases and the like.
CONFIRM_WITHIN = timedelta(minutes=15)
# How long the second step of signing in waits after the first.
HALF_WAY_FOR = timedelta(minutes=5)

# Whether the last address in X-Forwarded-For is to be believed: only a proxy of one's own wrote it.
BEHIND_TLS_PROXY: bool = env.bool("BEHIND_TLS_PROXY", False)

# The first lets no try through that has to wait; the second checks passwords.
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
# Argon2id with Django's parameters: 100 MiB, 2 passes, 8 lanes. OWASP's least is 19 MiB, 2 passes, 1 lane
# (Password Storage Cheat Sheet, as remembered of 2024).
PASSWORD_HASHERS = ["django.contrib.auth.hashers.Argon2PasswordHasher"]
_RULES = "django.contrib.auth.password_validation"
AUTH_PASSWORD_VALIDATORS: list[dict[str, Any]] = [
    {"NAME": f"{_RULES}.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "registry.signing_in.password_rule.LongestPassword", "OPTIONS": {"max_length": 128}},
    {"NAME": "registry.signing_in.password_rule.CommonPassword"},
    {"NAME": f"{_RULES}.UserAttributeSimilarityValidator"},
]

# So many wrong tries for one account from one address, then they have to wait. Of one address:
# registry/signing_in/lockout.py.
AXES_FAILURE_LIMIT: int = env.int("SIGN_IN_TRIES", 5, validate=validate.Range(min=3, max=20))
AXES_COOLOFF_TIME = timedelta(
    minutes=env.int("SIGN_IN_WAIT_MINUTES", 15, validate=validate.Range(min=1, max=24 * 60))
)
AXES_LOCKOUT_PARAMETERS: list[str | list[str]] = [["username", "ip_address"], "ip_address"]
AXES_HANDLER = "registry.signing_in.lockout.LockOut"
AXES_USERNAME_CALLABLE = "registry.signing_in.lockout.digest_of_name"
AXES_CLIENT_IP_CALLABLE = "registry.signing_in.lockout.counted_address"
AXES_LOCKOUT_CALLABLE = "registry.signing_in.lockout.own_answer"
AXES_RESET_ON_SUCCESS = True
# A try while one has to wait does not make the wait longer.
AXES_RESET_COOL_OFF_ON_FAILURE_DURING_LOCKOUT = False
# The account's own log says who signed in.
AXES_DISABLE_ACCESS_LOG = True
AXES_VERBOSE = False
