"""Second factor: time-based codes (RFC 6238) of a key that is sealed at rest.

SHA-1, six digits, a step of 30 seconds, because that is what generators on phones know. One step of tolerance
each way and no code taken twice, both as RFC 6238, section 5.2, has it. The codes themselves are worked out
by django-otp.
"""

import base64
import secrets
from math import ceil
from urllib.parse import quote, urlencode

import django_otp
import segno
from django.db import transaction
from django.http import HttpRequest
from django.utils import timezone
from django_otp.oath import TOTP

from registry import sealing
from registry.models import AccountEventKind, RecoveryCode, SecondFactor, User
from registry.retrying import retried
from registry.signing_in import account_log
from registry.signing_in.sessions import end_all

STEP_SECONDS = 30
DIGITS = 6
TOLERANCE_STEPS = 1
# RFC 4226, section 4, requirement 6, recommends 160 bits.
KEY_BYTES = 20
# After wrong codes in a row none is taken for 1, 2, 4 ... seconds; from the tenth on it stays at 512. That
# leaves a guesser 169 tries a day at one in some 333,000, and whoever owns the account a way in.
MOST_DOUBLINGS = 10
ISSUER = "Rimward"


def of(person: User) -> SecondFactor | None:
    """The person's second factor, where they have one."""
    found: SecondFactor | None = SecondFactor.objects.filter(user=person, confirmed=True).first()
    return found


def new_key() -> str:
    """A random key, in base32 as generators take it."""
    return base64.b32encode(secrets.token_bytes(KEY_BYTES)).decode()


def step_of(key: str, code: str, after: int = -1) -> int | None:
    """The time step, later than `after`, of which this is the code; None when of none that counts now."""
    if not (len(code) == DIGITS and code.isascii() and code.isdigit()):
        return None
    generator = TOTP(base64.b32decode(key), STEP_SECONDS, digits=DIGITS)
    generator.time = timezone.now().timestamp()
    if generator.verify(int(code), TOLERANCE_STEPS, after + 1):
        return int(generator.t())
    return None


def takes(factor: SecondFactor, code: str) -> bool:
    """Whether this is a code of now that was not used yet; from here on it is used.

    The step is written only where it is later than the one that stands, so of two requests with one code the
    database lets one through.
    """
    if not factor.verify_is_allowed()[0]:
        return False
    step = step_of(sealing.unseal(factor.sealed_key), code, factor.last_step)
    if step is not None and _uses_up(factor, step):
        return True
    _throttle(factor)
    return False


def seconds_to_wait(factor: SecondFactor) -> int:
    """How long no code is taken, after wrong ones; 0 when the next one is."""
    factor.refresh_from_db()
    allowed, why = factor.verify_is_allowed()
    return 0 if allowed else ceil((why["locked_until"] - timezone.now()).total_seconds())


def _uses_up(factor: SecondFactor, step: int) -> bool:
    standing = SecondFactor.objects.filter(pk=factor.pk, last_step__lt=step)
    return bool(
        standing.update(last_step=step, throttling_failure_count=0, throttling_failure_timestamp=None)
    )


def _throttle(factor: SecondFactor) -> None:
    factor.throttle_increment(commit=False)
    factor.throttling_failure_count = min(factor.throttling_failure_count, MOST_DOUBLINGS)
    factor.save(update_fields=["throttling_failure_count", "throttling_failure_timestamp"])


def address_of_key(person: User, key: str) -> str:
    """The key as generators read it from a picture."""
    label = quote(f"{ISSUER}:{person.username}")
    asked = {
        "secret": key, "issuer": ISSUER, "algorithm": "SHA1", "digits": DIGITS, "period": STEP_SECONDS,
    }  # fmt: skip
    return f"otpauth://totp/{label}?{urlencode(asked)}"


def picture_of(address: str) -> str:
    """A QR code of it as the address of an image; dark on light in either scheme, for cameras."""
    return segno.make(address, error="m").svg_data_uri(scale=5, border=4, dark="#000", light="#fff")


def set_up(request: HttpRequest, person: User, key: str, first_code: str) -> bool:
    """Keep a key, in place of any before it, once a code of it was given; False when the code is not one.

    The person's other sessions end, and this one goes on under another key: what was begun before knows
    nothing of the new factor.
    """
    step = step_of(key, first_code)
    if step is None:
        return False
    factor = retried(lambda: _kept(request, person, key, step))
    request.session.cycle_key()
    django_otp.login(request, factor)
    return True


def _kept(request: HttpRequest, person: User, key: str, step: int) -> SecondFactor:
    factor: SecondFactor
    factor, _ = SecondFactor.objects.update_or_create(
        user=person,
        defaults={
            "name": "Codes",
            "confirmed": True,
            "sealed_key": sealing.seal(key),
            "last_step": step,
            "made_at": timezone.now(),
            "throttling_failure_count": 0,
            "throttling_failure_timestamp": None,
        },
    )
    end_all(person, but=request.session.session_key)
    account_log.note(person, AccountEventKind.FACTOR_SET, request)
    return factor


@transaction.atomic
def take_off(person: User, request: HttpRequest, by: User | None = None) -> None:
    """From now on the password alone lets the person in; recovery codes go with the factor."""
    SecondFactor.objects.filter(user=person).delete()
    RecoveryCode.objects.filter(user=person).delete()
    account_log.note(person, AccountEventKind.FACTOR_TAKEN_OFF, request, by)
