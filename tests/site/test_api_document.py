"""The document of the API: sound OpenAPI 3.1, whole, the same as the addresses, and readable as a page."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import drf_spectacular.validation
import jsonschema_rs
import pytest
from django.conf import settings
from django.test import Client
from django.urls import URLPattern, get_resolver
from rest_framework.permissions import SAFE_METHODS

from registry.api.changelog import CHANGES
from registry.api.document import document
from registry.api.problems import KINDS, MEDIA_TYPE
from registry.vocabulary import Scope

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

# The OpenAPI Initiative's own JSON Schema of OpenAPI 3.1 documents, as it comes with the generator's package.
OF_OPENAPI = Path(drf_spectacular.validation.__file__).with_name("openapi_3_1_schema.json")
METHODS = ("get", "post", "put", "patch", "delete")


def operations() -> Iterator[tuple[str, str, Any]]:
    for path, verbs in document()["paths"].items():
        for verb, operation in verbs.items():
            yield path, verb, operation


def test_the_document_is_sound_by_the_standards_own_schema() -> None:
    answer = Client().get("/api/v1/openapi.json")
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/json")
    told = answer.json()
    assert told["openapi"].startswith("3.1.")
    jsonschema_rs.validator_for(json.loads(OF_OPENAPI.read_text(encoding="utf-8"))).validate(told)


def test_every_schema_in_it_is_sound_json_schema() -> None:
    for name, schema in document()["components"]["schemas"].items():
        assert jsonschema_rs.meta.is_valid(
            {**schema, "$schema": "https://json-schema.org/draft/2020-12/schema"}
        ), name


def test_every_address_is_in_the_document_and_every_one_in_it_is_served() -> None:
    served = {(path, verb) for path, view in addresses() for verb in METHODS if hasattr(view, verb)}
    assert {(path, verb) for path, verb, _ in operations()} == served


def addresses() -> Iterator[tuple[str, Any]]:
    """Every address under /api/v1/ with its view, out of the site's own table."""
    (api,) = [each for each in get_resolver().url_patterns if str(each.pattern) == "api/v1/"]
    waiting = [("/api/v1/", each) for each in api.url_patterns]
    while waiting:
        before, each = waiting.pop()
        path = before + re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", str(each.pattern))
        if isinstance(each, URLPattern):
            yield path, each.callback.view_class
        else:
            waiting += [(path, inner) for inner in each.url_patterns]


def test_every_request_has_a_name_of_its_own_and_says_which_key_it_needs() -> None:
    names = [operation["operationId"] for *_, operation in operations()]
    assert len(names) == len(set(names))
    scopes = {
        scope for *_, each in operations() for said in each["security"] for scope in said.get("accessKey", ())
    }
    assert scopes == {*Scope.values}


def test_every_write_asks_for_the_state_seen_or_for_a_key_to_create_under() -> None:
    for path, verb, operation in operations():
        needed = {each["name"] for each in operation.get("parameters", ()) if each.get("required")}
        if verb.upper() not in SAFE_METHODS and operation["operationId"] != "find_patient":
            assert needed & {"If-Match", "Idempotency-Key"}, (path, verb)
            assert "428" in operation["responses"], (path, verb)


def test_every_refusal_is_told_as_problem_details() -> None:
    for path, _, operation in operations():
        for status, said in operation["responses"].items():
            if status >= "4":
                assert [*said["content"]] == [MEDIA_TYPE], (path, status)


def test_the_page_tells_all_that_the_document_tells() -> None:
    answer = Client().get("/api/v1/", headers={"Accept": "text/html"})
    assert (answer.status_code, answer["Content-Type"]) == (200, "text/html; charset=utf-8")
    page = answer.content.decode()
    for path, _, operation in operations():
        assert f'id="{operation["operationId"]}"' in page
        assert path in page
    assert all(f'id="problem-{code}"' in page for code in KINDS)
    # Nothing from elsewhere, nothing inline.
    assert not re.search(r'(?:src|href)="(?:https?:)?//|<style|style="|onclick', page)
    links, ids = set(re.findall(r'href="#([^"]+)"', page)), re.findall(r'id="([^"]+)"', page)
    assert links <= set(ids)
    assert len(ids) == len(set(ids))


def test_a_program_gets_the_document_at_the_same_address() -> None:
    answer = Client().get("/api/v1/", headers={"Accept": "application/json"})
    assert answer.json() == Client().get("/api/v1/openapi.json").json()
    assert (
        Client()
        .get("/api/v1/", headers={"If-None-Match": answer["ETag"], "Accept": "application/json"})
        .status_code
        == 304
    )
    refused = Client().get("/api/v1/", headers={"Accept": "image/png"})
    assert (refused.status_code, refused["Content-Type"]) == (406, MEDIA_TYPE)


def test_the_changelog_begins_with_the_version_of_the_document() -> None:
    assert CHANGES[0].version == document()["info"]["version"] == settings.SPECTACULAR_SETTINGS["VERSION"]
