"""Keys put where they do not belong: the database's numbers, and another unit's rows beneath one's own."""

from collections.abc import Iterator
from itertools import product
from typing import Any
from uuid import uuid4

import pytest
from django.http import HttpResponse
from django.urls import reverse

from registry.models import Contact, IndexProcedure, Knee
from registry.vocabulary import Scope
from tests.security.addresses import WORDS, Address, every_address
from tests.security.asking import pages, taken_back
from tests.security.house import House, Side
from tests.security.rules import HIDDEN, NO_SUCH_METHOD

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]


def test_a_row_of_the_other_unit_beneath_ones_own_does_not_exist(house: House) -> None:
    """Every page whose address names two things, one of each unit, by who is let in to both of one's own."""
    found, asked = [], 0
    for method in ("get", "post"):
        for address, role in pages(method):
            for url in _mixed(address, house.north, house.south):
                with taken_back(house.clients[role]):
                    status = getattr(house.clients[role], method)(url).status_code
                asked += 1
                if status not in (HIDDEN, NO_SUCH_METHOD):
                    found.append(f"{method} {url} by {role}: {status}")
    assert not found, "\n".join(found)
    assert asked > 50


def _mixed(address: Address, own: Side, other: Side) -> Iterator[str]:
    objects = [part for part in address.parts if part not in WORDS]
    sides = product((own, other), repeat=len(objects)) if len(objects) > 1 else []
    for chosen in sides:
        if len(set(map(id, chosen))) > 1:
            where = dict(zip(objects, chosen, strict=True))
            yield reverse(
                address.name,
                kwargs={part: address.value(part, where.get(part, own)) for part in address.parts},
            )


def test_a_number_or_a_key_of_nothing_in_place_of_a_key_finds_nothing(house: House) -> None:
    """Keys are random; a primary key is no address at all, and a key of nothing is like another unit's."""
    numbers = [Knee.objects.first().pk, IndexProcedure.objects.first().pk, Contact.objects.first().pk]
    found, asked = [], 0
    headers = house.key("surgeon", *Scope)
    for name, address in every_address().items():
        keys = [part for part in address.parts if f"<uuid:{part}>" in address.route]
        if not keys:
            continue
        url = address.on(house.north)
        for guess in (numbers[len(url) % 3], "1 OR 1=1", uuid4()):
            guessed = url.replace(str(address.value(keys[-1], house.north)), str(guess))
            answer = _asked(house, address, guessed, headers)
            asked += 1
            if answer.status_code not in (HIDDEN, NO_SUCH_METHOD, 403):
                found.append(f"{name} {guessed}: {answer.status_code}")
    assert not found, "\n".join(found)
    assert asked > 200


def _asked(house: House, address: Address, url: str, headers: Any) -> HttpResponse:
    client = house.clients["surgeon"]
    with taken_back(client):
        answer: HttpResponse = client.get(url, headers={**headers, "Host": "localhost"})
    return answer


def test_a_token_that_was_not_given_opens_nothing(house: House) -> None:
    """Of an invitation; of a patient's link, see tests/registry/patient_link/test_refusals.py."""
    client = house.clients["nobody"]
    token = every_address()["invited"].value("token", house.north)
    for guess in (token[:-1], token[::-1], token.swapcase(), f"{token}A", "x", "%00"):
        with taken_back(client):
            assert client.get(reverse("invited", args=[guess])).status_code == 404
