"""What is compressed on its way to a browser or a program, what never is, and what becomes of entity tags."""

import gzip
import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.http import HttpResponse, StreamingHttpResponse
from django.test import RequestFactory
from django.urls import ResolverMatch, URLPattern, get_resolver

from outcomes.pages.survival import survival
from registry.pages.identity import identity
from registry.site.compression import ROOMS, Compression
from tests import factories
from tests.conftest import Cast
from tests.registry.api.asking import asker

GZIP = {"Accept-Encoding": "gzip"}
LONG = "<p>" + "knee " * 2000


def through(view: Any, response: Any, **headers: str) -> Any:
    """A response of this view on its way out."""
    request = RequestFactory().get("/", headers=GZIP | headers)
    request.resolver_match = ResolverMatch(view, (), {})
    return Compression(lambda _: response)(request)


@pytest.mark.parametrize("path", ["/survival/", "/repairs/", "/due/", "/", "/help/", "/completeness/"])
def test_pages_of_figures_and_lists_are_compressed_and_read_the_same(cast: Cast, path: str) -> None:
    client = cast.client("surgeon")
    plain, small = client.get(path), client.get(path, headers=GZIP)
    assert "Content-Encoding" not in plain.headers
    assert small.headers["Content-Encoding"] == "gzip"
    assert int(small.headers["Content-Length"]) == len(small.content) < len(plain.content)
    # One-time marks of forms differ from answer to answer, of one length.
    assert len(gzip.decompress(small.content)) == len(plain.content)
    for each in (plain, small):
        assert "Accept-Encoding" in each.headers["Vary"]
        assert each.headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize("path", ["/survival/zone.csv", "/completeness/requirement.csv"])
def test_a_file_of_numbers_is_compressed(cast: Cast, path: str) -> None:
    for day in range(300, 320):
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.surgeon.surgeon))
        factories.a_contact(repair, day)
    client = cast.client("surgeon")
    plain, small = client.get(path), client.get(path, headers=GZIP)
    assert (plain.status_code, plain.headers["Content-Type"][:8]) == (200, "text/csv")
    assert small.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(small.content) == plain.content


def test_pages_with_an_identity_or_a_secret_are_not_compressed(cast: Cast) -> None:
    """Their length would tell how much of what was typed beside is alike (BREACH, 2013)."""
    for name in ("find_patient", "sign_in", "account", "access_keys", "identity", "record_operation"):
        (pattern,) = [each for each in _patterns() if each.name == name]
        assert not pattern.callback.__module__.startswith(ROOMS), name
    for path in ("/sign-in/", "/access-keys/", "/account/", "/find/", f"/knees/{cast.knee.uuid}/identity/"):
        assert "Content-Encoding" not in cast.client("surgeon").get(path, headers=GZIP).headers, path


def _patterns(of: Any = None) -> Iterator[Any]:
    for pattern in (of or get_resolver()).url_patterns:
        if isinstance(pattern, URLPattern):
            yield pattern
        else:
            yield from _patterns(pattern)


def test_every_address_with_a_token_is_left_as_it_is() -> None:
    held = [each for each in _patterns() if "token" in str(each.pattern)]
    assert held
    assert [each for each in held if each.callback.__module__.startswith(ROOMS)] == []


def test_every_room_is_there() -> None:
    modules = {each.callback.__module__ for each in _patterns()}
    for room in ROOMS:
        assert any(module.startswith(room) for module in modules), room


@pytest.mark.parametrize(
    "kind",
    [
        "application/zip",
        "application/pdf",
        "image/png",
        "application/octet-stream",
        "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ],
)
def test_what_is_compressed_already_is_left_as_it_is(kind: str) -> None:
    answer = through(survival, HttpResponse(LONG, content_type=kind))
    assert answer.content.decode() == LONG
    assert "Content-Encoding" not in answer.headers


def test_an_answer_of_another_room_is_left_as_it_is() -> None:
    assert through(identity, HttpResponse(LONG)).content.decode() == LONG


def test_what_answers_an_act_is_left_as_it_is() -> None:
    """It may show a secret once, as the page of a knee in Due shows its link."""
    request = RequestFactory().post("/", headers=GZIP)
    request.resolver_match = ResolverMatch(survival, (), {})
    assert "Content-Encoding" not in Compression(lambda _: HttpResponse(LONG))(request).headers


def test_who_takes_no_gzip_gets_none() -> None:
    assert through(survival, HttpResponse(LONG), **{"Accept-Encoding": "br"}).content.decode() == LONG


def test_a_stream_still_comes_piece_by_piece() -> None:
    given: list[int] = []

    def pieces() -> Iterator[str]:
        for number in range(3):
            given.append(number)
            yield LONG

    answer = through(survival, StreamingHttpResponse(pieces(), content_type="text/csv"))
    stream = iter(answer.streaming_content)
    assert given == []
    begun = next(stream)
    assert len(given) < 3, "what is asked for first comes before all is made"
    assert gzip.decompress(begun + b"".join(stream)).decode() == LONG * 3
    assert answer.headers["Content-Encoding"] == "gzip"


def test_each_answer_is_padded_by_chance() -> None:
    """Equal pages are of many lengths (Heal the Breach, 2022; up to 100 bytes, by Django)."""
    assert len({len(through(survival, HttpResponse(LONG)).content) for _ in range(50)}) > 10


def test_a_compressed_answer_has_a_strong_tag_of_its_own_that_names_the_same_state(cast: Cast) -> None:
    """RFC 9110, section 8.8.3.3: two codings, two tags; section 13.1.1: If-Match is compared strongly."""
    program, path = asker(cast.surgeon), f"/operations/{cast.repair.tear.procedure.uuid}/"
    plain = program.get(path).headers["ETag"]
    answer = program.get(path, Accept_Encoding="gzip")
    assert answer.headers["Content-Encoding"] == "gzip"
    small = answer.headers["ETag"]
    assert re.fullmatch(r'"\d+-[0-9a-f]{32}-gzip"', small)
    assert small == f'{plain[:-1]}-gzip"'
    for known in (small, f"W/{small}", f'"other", {small}'):
        same = program.get(path, If_None_Match=known, Accept_Encoding="gzip")
        assert (same.status_code, same.content, same.headers["ETag"]) == (304, b"", small)
    assert program.patch(path, {"bmi": 30}, If_Match=f"W/{small}").status_code == 412
    changed = program.patch(path, {"bmi": 30}, If_Match=small)
    assert changed.status_code == 200
    assert program.patch(path, {"bmi": 31}, If_Match=small).status_code == 412
    assert program.get(path, If_None_Match=small).status_code == 200
