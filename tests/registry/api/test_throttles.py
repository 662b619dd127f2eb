"""How often one may ask without a key: counted by the address that signing in counts, however many ask."""

from collections.abc import Iterator
from typing import Any

import pytest
from django.core.cache import cache
from django.test import RequestFactory
from rest_framework.request import Request

from registry.api.throttles import ByAddress

pytestmark = pytest.mark.any_engine
HERE = "192.0.2.1"


@pytest.fixture(autouse=True)
def once_a_minute(settings: Any) -> Iterator[None]:
    settings.API_REQUESTS_A_MINUTE = {"key": 2, "address": 1}
    cache.clear()
    yield
    cache.clear()


def is_let_in(address: str, **headers: str) -> bool:
    asked = Request(RequestFactory().get("/", REMOTE_ADDR=address, headers=headers))
    return bool(ByAddress().allow_request(asked, None))


def test_one_subscriber_of_ipv6_is_one_address(db: None) -> None:
    assert is_let_in("2001:db8:1:2::1")
    assert not is_let_in("2001:db8:1:2:ffff::9")
    assert is_let_in("2001:db8:1:3::1")


def test_only_the_proxys_own_hop_is_believed(settings: Any) -> None:
    assert is_let_in(HERE, X_Forwarded_For="198.51.100.1")
    assert not is_let_in(HERE, X_Forwarded_For="198.51.100.2")
    settings.BEHIND_TLS_PROXY = True
    assert is_let_in(HERE, X_Forwarded_For="198.51.100.3, 203.0.113.7")
    assert not is_let_in(HERE, X_Forwarded_For="198.51.100.4, 203.0.113.7")


def test_where_there_is_no_address_all_count_together() -> None:
    assert is_let_in("")
    assert not is_let_in("")


def test_many_other_addresses_push_no_count_out() -> None:
    assert is_let_in(HERE)
    others = [is_let_in(f"198.18.{number // 250}.{number % 250}") for number in range(2000)]
    assert all(others)
    assert not is_let_in(HERE)
