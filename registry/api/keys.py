"""Access keys: made once and shown once, found again by their digest, taken back at once."""

import hashlib
import secrets
from collections.abc import Collection
from datetime import timedelta

from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.http import HttpRequest
from django.utils import timezone

from registry.access import Action, Person, actions_of
from registry.models import AccessKey, AccountEventKind, User
from registry.retrying import retried, retried_with
from registry.signing_in.account_log import note
from registry.vocabulary import Scope

# By its beginning a key that leaked into a file or a log can be searched for.
PREFIX = "rim_"
RANDOM_BYTES = 32
LONGEST_DAYS = 366

# What a scope is good for; a person none of whose roles allows any of it has no use for it.
OPENS: dict[Scope, frozenset[Action]] = {
    Scope.READ_RECORD: frozenset({Action.SEE_RECORD}),
    Scope.WRITE_RECORD: frozenset({Action.RECORD_OPERATION, Action.RECORD_FOLLOW_UP}),
    Scope.READ_FIGURES: frozenset({Action.SEE_FIGURES}),
    Scope.NAME_COHORTS: frozenset({Action.NAME_COHORT}),
    Scope.READ_RELEASES: frozenset({Action.RELEASE}),
}


def scopes_open_to(person: Person) -> list[Scope]:
    """The scopes that a person's roles can use, in order."""
    allowed = actions_of(person)
    return [scope for scope in Scope if OPENS[scope] & allowed]


def make(
    user: User, label: str, scopes: Collection[str], days: int, request: HttpRequest | None = None
) -> tuple[AccessKey, str]:
    """A new key that holds for so many days, and its text, which nothing keeps; noted in the account's log.

    Raises
    ------
    django.core.exceptions.ValidationError
        No label, no scope or one that the person cannot use, or a time outside 1 to 366 days.
    """
    _refuse_scopes(user, scopes)
    if not 1 <= days <= LONGEST_DAYS:
        raise ValidationError(
            {"days": f"{days} days is outside 1 to {LONGEST_DAYS}. Every key ends: choose its last day."}
        )
    text = PREFIX + secrets.token_urlsafe(RANDOM_BYTES)
    made_at = timezone.now()
    key = AccessKey(
        user=user,
        label=label.strip(),
        digest=digest(text),
        scopes=[scope.value for scope in Scope if scope in scopes],
        made_at=made_at,
        expires_at=made_at + timedelta(days=days),
    )
    key.full_clean()
    retried_with([key], lambda: _keep(key, request))
    return key, text


def opened_by(text: str) -> AccessKey | None:
    """The key of a text, while it is open and its person active.

    The digest alone is looked up, so an unknown key takes the same way as a known one.
    """
    key = AccessKey.objects.select_related("user").filter(digest=digest(text)).first()
    if key is None or not key.is_open(timezone.now()) or not key.user.is_active:
        return None
    return key


def note_use(key: AccessKey) -> None:
    """Keep the day on which a key was last used; one write a day."""
    today = timezone.now().date()
    if key.last_used_on != today:
        AccessKey.objects.filter(pk=key.pk).update(last_used_on=today)


def open_keys(person: User) -> QuerySet[AccessKey]:
    """A person's keys that still open something."""
    return AccessKey.objects.filter(user=person, taken_back_at=None, expires_at__gt=timezone.now())


def take_back(key: AccessKey, request: HttpRequest | None = None, by: User | None = None) -> None:
    """From now on the key opens nothing; once taken back it stays so, and is noted once."""

    def work() -> None:
        standing = AccessKey.objects.filter(pk=key.pk, taken_back_at__isnull=True)
        if standing.update(taken_back_at=timezone.now()):
            note(key.user, AccountEventKind.KEY_TAKEN_BACK, request, by, key.label)

    retried(work)


def take_back_all(person: User, request: HttpRequest | None = None, by: User | None = None) -> None:
    """The same for every key of a person that still opens something."""
    for key in open_keys(person).select_related("user"):
        take_back(key, request, by)


def digest(text: str) -> str:
    """What is kept of a key: SHA-256 (FIPS 180-4) in hexadecimal."""
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()


def _keep(key: AccessKey, request: HttpRequest | None) -> None:
    key.save()
    note(key.user, AccountEventKind.KEY_MADE, request, about=key.label)


def _refuse_scopes(user: User, scopes: Collection[str]) -> None:
    usable = scopes_open_to(user)
    if not scopes:
        raise ValidationError({"scopes": "A key without a scope opens nothing. Choose at least one."})
    for scope in scopes:
        if scope not in usable:
            known = ", ".join(each.value for each in usable) or "none"
            raise ValidationError(
                {"scopes": f"'{scope}' is no scope that {user} can use. Choose from: {known}."}
            )
