"""System checks of an installation in production, for what Django itself does not look at."""

from collections import Counter
from math import log2
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, Warning, register

# Hosts to which a line needs no TLS: this machine, or a socket of it.
NEAR = ("", "localhost", "127.0.0.1", "::1")
# The database of docker-compose.yml: in a network of containers within one machine, without a port outside.
# So another machine of one's own has to be named in full, not by this word alone.
COMPOSE_DATABASE = "database"
# sslmode values that ask whose certificate it is (PostgreSQL's documentation, section 34.19): "require"
# encrypts, but to whoever answers, so somebody in between reads along unseen.
VERIFIED = ("verify-ca", "verify-full")
# Of chance, by letter: twenty letters "a" have none, 32 random hexadecimal digits about 110.
LEAST_BITS = 90


@register(Tags.security, deploy=True)
def proxy_is_told_of_once(**_: Any) -> list[CheckMessage]:
    """rimward.E010: a forwarded header believed without a proxy lets anybody say that they came by TLS."""
    if bool(settings.SECURE_PROXY_SSL_HEADER) == settings.BEHIND_TLS_PROXY:
        return []
    return [
        Error(
            "SECURE_PROXY_SSL_HEADER and BEHIND_TLS_PROXY do not go together.",
            hint="Set BEHIND_TLS_PROXY alone, to true where a proxy of yours sets X-Forwarded-Proto itself.",
            id="rimward.E010",
        )
    ]


@register(Tags.security, deploy=True)
def keys_are_random(**_: Any) -> list[CheckMessage]:
    """rimward.E011: a key that could be guessed locks nothing, however long it is."""
    keys = {
        "SECRET_KEY": [settings.SECRET_KEY],
        "IDENTITY_INDEX_KEY": [settings.IDENTITY_INDEX_KEY],
        "RELEASE_KEYS": settings.RELEASE_KEYS,
        "IDENTITY_KEYS": settings.IDENTITY_KEYS,
    }
    return [
        Error(
            f"{name} holds a key with too little chance in it.",
            hint="DEVELOPERS.md, under Settings, says how to make one.",
            id="rimward.E011",
        )
        for name, each in keys.items()
        if any(bits(key) < LEAST_BITS for key in each)
    ]


@register(Tags.security, deploy=True)
def database_is_reached_over_tls(**_: Any) -> list[CheckMessage]:
    """rimward.E012: the record would cross the network in the clear, or to whoever answers."""
    database: Any = settings.DATABASES["default"]
    host, options = str(database.get("HOST", "")), database.get("OPTIONS", {})
    near = host in (*NEAR, COMPOSE_DATABASE) or host.startswith("/")
    mode = options.get("sslmode")
    if near or mode in VERIFIED or not database["ENGINE"].endswith(".postgresql"):
        return []
    lacks = "no certificate is checked: sslmode=require is not enough"
    return [
        Error(
            "DATABASE_URL leads to another machine, and "
            f"{lacks if mode == 'require' else 'the line need not be encrypted'}.",
            hint="End it with ?sslmode=verify-full&sslrootcert=/path/of/its/authority.pem.",
            id="rimward.E012",
        )
    ]


@register(Tags.security, deploy=True)
def mail_is_handed_over_by_tls(**_: Any) -> list[CheckMessage]:
    """rimward.W011: a letter's link and the mail server's password would cross the network in the clear."""
    far = settings.EMAIL_BACKEND.endswith(".smtp.EmailBackend") and settings.EMAIL_HOST not in (None, *NEAR)
    if not far or settings.EMAIL_USE_TLS or settings.EMAIL_USE_SSL:
        return []
    return [
        Warning(
            "EMAIL_URL leads to another machine, and letters go there in the clear.",
            hint="Begin it with submission://, which goes by TLS and checks the certificate.",
            id="rimward.W011",
        )
    ]


@register(Tags.security, deploy=True)
def cookies_are_of_this_host(**_: Any) -> list[CheckMessage]:
    """rimward.E013: without the prefix a neighbouring host could set a cookie for this one."""
    names = (settings.SESSION_COOKIE_NAME, settings.CSRF_COOKIE_NAME, settings.LANGUAGE_COOKIE_NAME)
    if all(name.startswith("__Host-") for name in names):
        return []
    return [
        Error(
            "A cookie's name does not begin with __Host-.",
            hint="Run with RIMWARD_MODE=production, which names them so.",
            id="rimward.E013",
        )
    ]


@register(Tags.security, deploy=True)
def site_address_is_served(**_: Any) -> list[CheckMessage]:
    """rimward.E014: a link to a host that the site does not answer to leads nowhere."""
    host = urlsplit(settings.SITE_URL).hostname
    hosts = settings.ALLOWED_HOSTS
    if not host or any(host == each or (each.startswith(".") and host.endswith(each)) for each in hosts):
        return []
    return [
        Error(
            "SITE_URL leads to a host that is not one of ALLOWED_HOSTS.",
            hint="Name the same host in both.",
            id="rimward.E014",
        )
    ]


@register(Tags.security, deploy=True)
def log_is_as_long_as_needed(**_: Any) -> list[CheckMessage]:
    """rimward.W010: at DEBUG libraries write much; no value is among it, but the lines that matter drown."""
    if settings.LOG_LEVEL != "DEBUG":
        return []
    return [
        Warning(
            "LOG_LEVEL is DEBUG.",
            hint="Leave it out: INFO tells of every request, and of every error with its place in the code.",
            id="rimward.W010",
        )
    ]


def bits(key: str) -> float:
    """How much chance a key can hold at most, judged by how often its letters come (Shannon's entropy)."""
    if not key:
        return 0.0
    shares = [count / len(key) for count in Counter(key).values()]
    return len(key) * -sum(share * log2(share) for share in shares)
