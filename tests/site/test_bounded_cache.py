"""The cache of results never holds more bytes than it may, and gives back what was put in."""

from concurrent.futures import ThreadPoolExecutor
from itertools import count

from django.conf import settings
from django.core.cache import caches
from hypothesis import given
from hypothesis import strategies as st

from registry.site.bounded_cache import BoundedCache

BYTES = 5_000
SETS = st.lists(st.tuples(st.sampled_from("abcdef"), st.binary(max_size=3_000)), max_size=30)


_numbers = count()


def a_cache(name: str = "") -> BoundedCache:
    return BoundedCache(name or f"cache {next(_numbers)}", {"OPTIONS": {"BYTES": BYTES}})


@given(SETS)
def test_it_gives_back_what_was_last_put_in_and_keeps_within_its_bytes(sets: list[tuple[str, bytes]]) -> None:
    cache, last = a_cache(), {}
    for key, value in sets:
        cache.set(key, value)
        last[key] = value
        assert cache.get(key) == value
        assert cache.bytes_kept <= BYTES
    assert all(cache.get(key) in (None, value) for key, value in last.items())


def test_what_was_not_used_for_longest_goes_first() -> None:
    cache = a_cache()
    cache.set("first", b"x" * 1_500)
    cache.set("second", b"x" * 1_500)
    assert cache.get("first")
    cache.set("third", b"x" * 1_500)
    assert cache.get("second") is None
    assert cache.get("first")
    assert cache.get("third")


def test_what_is_larger_than_all_its_bytes_is_not_kept_and_pushes_nothing_out() -> None:
    cache = a_cache()
    cache.set("small", 1)
    cache.set("large", b"x" * BYTES)
    assert cache.get("large", "none") == "none"
    assert cache.get("small") == 1


def test_a_value_is_a_copy_that_nobody_else_can_change() -> None:
    cache = a_cache()
    value = [1]
    cache.set("key", value)
    value.append(2)
    cache.get("key").append(3)
    assert cache.get("key") == [1]
    cache.clear()
    assert cache.get("key") is None


def test_all_threads_of_a_process_share_what_is_kept() -> None:
    with ThreadPoolExecutor(1) as other:
        other.submit(lambda: a_cache("shared").set("key", "value")).result()
        assert a_cache("shared").get("key") == "value"
        a_cache("shared").clear()
        assert other.submit(lambda: a_cache("shared").get("key")).result() is None


def test_results_are_kept_in_one() -> None:
    assert isinstance(caches["results"], BoundedCache)
    assert settings.CACHES["results"]["OPTIONS"]["BYTES"] == settings.RESULTS_CACHE_MB * 2**20
