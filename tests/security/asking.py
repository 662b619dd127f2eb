"""Ways to ask in the house: who is let in where, and everything that an ask wrote taken back."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.core.cache import cache
from django.db import transaction
from django.test import Client

from tests.security.addresses import Address, every_address
from tests.security.house import ROLES, House
from tests.security.rules import NO_SUCH_METHOD, OTHERWISE, PAGES


@contextmanager
def taken_back(client: Client) -> Iterator[None]:
    """Nothing stays of what is written meanwhile, and nobody is signed out."""
    cookies = dict(client.cookies)
    cache.clear()  # where requests are counted
    with transaction.atomic():
        yield
        transaction.set_rollback(True)
    client.cookies.clear()
    client.cookies.update(cookies)


def pages(method: str) -> Iterator[tuple[Address, str]]:
    """Every page that answers the method, and the first role that is let in there."""
    for name, address in every_address().items():
        rule = PAGES.get(name)
        if rule and (rule.get if method == "get" else rule.post or rule.get) != NO_SUCH_METHOD:
            let_in = (
                role
                for role in ROLES[1:]
                if rule.let_in(role, is_own=True, has_object=address.takes_an_object)
                and (name, role, method) not in OTHERWISE
            )
            yield address, next(let_in)


def signed_in(house: House, role: str, **options: Any) -> Client:
    """A browser of one role with the session that it has in the house."""
    client = Client(**options)
    client.cookies.update(house.clients[role].cookies)
    return client
