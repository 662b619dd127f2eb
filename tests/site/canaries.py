"""Strings that occur nowhere else, and every form in which one could come out again."""

import base64
import json
import os
import secrets
from collections.abc import Iterable, Iterator

_given: dict[str, str] = {}


def canary(place: str) -> str:
    """A string of this place alone; its first letters make sure that it is quoted where text is."""
    token = _given.setdefault(place, f"{secrets.token_hex(6)}zq")
    return f'Kanári "{token}'


def plain_canary(place: str) -> str:
    """The same for places that take ASCII letters alone."""
    canary(place)
    return f"canary{_given[place]}"


def found_in(text: str) -> set[str]:
    """The places whose canary a text holds: as it is, as part of an address or JSON, or in base64."""
    folded = text.casefold()
    return {
        place
        for place, token in _given.items()
        if token in folded or token[::-1] in folded or any(each in text for each in _in_base64(token))
    }


def places() -> Iterable[str]:
    return _given


def _in_base64(token: str) -> Iterator[str]:
    """What stays the same of it in base64, wherever in a longer text it begins."""
    for before in range(3):
        encoded = base64.b64encode(b"x" * before + token.encode()).decode()
        yield encoded[(0, 2, 3)[before] : -4]


def prepare() -> None:
    """A record with canaries in it, made in a process of its own; prints what the test needs to know."""
    import django

    django.setup()
    from django.conf import settings
    from django.test import Client

    from registry.models import Identity
    from registry.recording import record
    from tests import factories
    from tests.tables import make_tables

    said = json.loads(os.environ["CANARIES"])
    make_tables()
    unit = factories.a_unit("northmere")
    roles = ("surgeon", "administrator")
    person = factories.a_person("oak", *((role, unit) for role in roles))
    knee = factories.an_operation(unit, factories.a_surgeon(unit, "oak", person)).knee
    names = {name: said[f"record {name}"] for name in Identity.FIELDS}
    record(Identity.sealed(knee.patient, **names))
    client = Client()
    client.force_login(person)
    told = {"session": client.cookies[settings.SESSION_COOKIE_NAME].value, "knee": str(knee.uuid)}
    print(json.dumps(told | {"surgeon": person.pk}))  # noqa: T201
