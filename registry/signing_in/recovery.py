"""Recovery codes: ten, each good once in place of a code of the second factor. Only digests are kept."""

import base64
import hashlib
import secrets

from django.db import transaction
from django.http import HttpRequest
from django.utils import timezone

from registry.models import AccountEventKind, RecoveryCode, User
from registry.signing_in import account_log

HOW_MANY = 10
# 120 bits: no slow digest is needed for what has 112 or more (OWASP ASVS 5.0, 6.5.2).
RANDOM_BYTES = 15
GROUP = 4


@transaction.atomic
def make_new(person: User, request: HttpRequest) -> list[str]:
    """Ten codes in place of all earlier ones. This is the only time that they can be read."""
    texts = [_grouped(base64.b32encode(secrets.token_bytes(RANDOM_BYTES)).decode()) for _ in range(HOW_MANY)]
    RecoveryCode.objects.filter(user=person).delete()
    RecoveryCode.objects.bulk_create(RecoveryCode(user=person, digest=digest(text)) for text in texts)
    account_log.note(person, AccountEventKind.CODES_MADE, request)
    return texts


def takes(person: User, text: str, request: HttpRequest) -> bool:
    """Whether this is a code of the person's that was not used yet; from here on it is used."""
    unused = RecoveryCode.objects.filter(user=person, digest=digest(text), used_at=None)
    if not unused.update(used_at=timezone.now()):
        return False
    account_log.note(person, AccountEventKind.CODE_USED, request)
    return True


def left(person: User) -> int:
    """How many codes are still good."""
    return RecoveryCode.objects.filter(user=person, used_at=None).count()


def digest(text: str) -> str:
    """What is kept of a code: SHA-256 (FIPS 180-4), blind to spacing, dashes and letter case."""
    plain = "".join(text.split()).replace("-", "").upper()
    return hashlib.sha256(plain.encode("utf-8", "replace")).hexdigest()


def _grouped(text: str) -> str:
    return "-".join(text[start : start + GROUP] for start in range(0, len(text), GROUP))
