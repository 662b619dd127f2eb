"""What happened to an account, for its own person and for who manages its unit.

A typed name that is nobody's has no entry here: it may be a password in the wrong field.
"""

from ipaddress import ip_address
from typing import Any

from django.conf import settings
from django.contrib.auth.signals import user_logged_in, user_logged_out
from django.dispatch import receiver
from django.http import HttpRequest

from registry.models import AccountEvent, AccountEventKind, User
from registry.signing_in.browsers import short_name


def note(
    user: User,
    kind: AccountEventKind,
    request: HttpRequest | None = None,
    by: User | None = None,
    about: str = "",
) -> None:
    """One entry. `by` is who did it, where that was somebody else; `about` which role or key, and where."""
    AccountEvent.objects.create(
        user=user,
        kind=kind,
        by=by if by != user else None,
        about=about,
        address=address_of(request) if request else None,
        browser=browser_of(request) if request else "",
    )


def address_of(request: HttpRequest) -> str | None:
    """Where a request comes from; None where that is no address, as on a Unix socket.

    Behind the proxy that is the last hop of X-Forwarded-For, which the proxy itself has added: whatever
    stands before it may be made up.
    """
    forwarded = request.headers.get("X-Forwarded-For", "") if settings.BEHIND_TLS_PROXY else ""
    said = forwarded.rpartition(",")[2].strip() or str(request.META.get("REMOTE_ADDR", ""))
    try:
        return str(ip_address(said))
    except ValueError:
        return None


def browser_of(request: HttpRequest) -> str:
    """The browser in a few words."""
    return short_name(request.headers.get("User-Agent", ""))


@receiver(user_logged_in, dispatch_uid="account log: signed in")
def _signed_in(request: HttpRequest, user: User, **_: Any) -> None:
    note(user, AccountEventKind.SIGNED_IN, request)


@receiver(user_logged_out, dispatch_uid="account log: signed out")
def _signed_out(request: HttpRequest, user: User | None, **_: Any) -> None:
    if user is not None:
        note(user, AccountEventKind.SIGNED_OUT, request)
