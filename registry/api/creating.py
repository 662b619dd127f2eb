"""Creating once: a program that asks again under the same key gets what it created, and nothing twice."""

import json
from collections.abc import Callable
from datetime import timedelta

from django.db import IntegrityError
from django.utils import timezone
from django.utils.crypto import salted_hmac
from rest_framework.request import Request

from registry.api.problems import Refused
from registry.models import Creation, User
from registry.retrying import retried

HEADER = "Idempotency-Key"
REPLAYED = "Idempotent-Replayed"
KEPT = timedelta(hours=24)
LONGEST = 255


def once(request: Request, create: Callable[[], str]) -> tuple[str, bool]:
    """Create under the key of the request; the address of what was created, and whether it was before.

    Parameters
    ----------
    create
        Writes, and gives the address of what it wrote. What it raises undoes all of it, the key included.

    Raises
    ------
    Refused
        No key, or one that was used for another request.
    """
    key, asked, user = _key(request), _digest(request), request.user
    if earlier := _earlier(user, key, asked):
        return earlier, True
    try:
        return retried(lambda: _created(user, key, asked, create)), False
    except IntegrityError:
        # Of two at once the second waited at the unique key until the first was through.
        if earlier := _earlier(user, key, asked):
            return earlier, True
        raise


def _created(user: User, key: str, asked: str, create: Callable[[], str]) -> str:
    Creation.objects.filter(user=user, made_at__lt=timezone.now() - KEPT).delete()
    creation = Creation.objects.create(user=user, key=key, request_digest=asked)
    location = create()
    Creation.objects.filter(pk=creation.pk).update(location=location)
    return location


def _earlier(user: User, key: str, asked: str) -> str:
    """The address of what was created under this key; empty when nothing was."""
    kept = Creation.objects.filter(user=user, made_at__gte=timezone.now() - KEPT)
    creation = kept.filter(key=key).first()
    if creation is None:
        return ""
    if creation.request_digest != asked:
        raise Refused(
            "key_used",
            f"This {HEADER} was used for another request within a day. Take a new key for a new request.",
        )
    return str(creation.location)


def _key(request: Request) -> str:
    said: str = request.headers.get(HEADER, "")
    if 1 <= len(said) <= LONGEST and all("!" <= sign <= "~" for sign in said):
        return said
    raise Refused(
        "no_idempotency_key",
        f"What creates needs the header {HEADER}: 1 to {LONGEST} visible ASCII characters, new for each "
        "request and the same when it is sent again.",
    )


def _digest(request: Request) -> str:
    """Of method, address and body; keyed, since a body may hold a hospital number."""
    said = json.dumps([request.method, request.get_full_path(), request.data], sort_keys=True)
    digest: str = salted_hmac("registry.api.creating", said, algorithm="sha256").hexdigest()
    return digest
