"""The document of the API: OpenAPI 3.1 for programs, and a page made of it for people.

It holds no data of anybody and no setting of the site, only how to ask, so it is open without a key.
"""

from functools import cache
from threading import Lock
from typing import Any, cast

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.cache import patch_vary_headers
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.permissions import SAFE_METHODS
from rest_framework.request import Request
from rest_framework.response import Response

from registry.api.authentication import KeyScheme
from registry.api.changelog import CHANGES
from registry.api.creating import HEADER, KEPT
from registry.api.etags import tagged
from registry.api.outline import SITE, outline
from registry.api.paging import MOST, USUAL
from registry.api.parsing import LIMIT_BYTES
from registry.api.problems import KINDS, MEDIA_TYPE
from registry.api.schema import CHALLENGE, ETAG, IF_NONE_MATCH, RETRY_AFTER, refusals
from registry.api.scopes import scope_of
from registry.api.view import ApiView
from registry.vocabulary import Scope

PAGE, PROGRAMS = "text/html", "application/json"
TAG = "This document"
_made_once = Lock()


class Generator(SchemaGenerator):
    """Makes the document, and says of every method which scope a key needs for it."""

    def parse(self, input_request: Any, public: bool) -> dict[str, Any]:
        paths: dict[str, Any] = super().parse(input_request, public)  # type: ignore[no-untyped-call]
        for path, _, method, view in self._get_paths_and_endpoints():  # type: ignore[no-untyped-call]
            operation = paths.get(path, {}).get(method.lower())
            if operation is not None:
                operation["security"] = _security(scope_of(view, method))
        return paths


def document() -> dict[str, Any]:
    """The whole document; made once a process, which takes a second or two."""
    with _made_once:
        return _document()


@cache
def _document() -> dict[str, Any]:
    generator: Any = Generator()  # type: ignore[no-untyped-call]
    return cast(dict[str, Any], generator.get_schema(request=None, public=True))


def _security(scope: Scope | None) -> list[dict[str, list[str]]]:
    """An OpenAPI security requirement: the scope is named as what the key must be for."""
    return [{KeyScheme.name: [scope.value]}] if scope else [{}, {KeyScheme.name: []}]


class Document(ApiView):
    """The document, as JSON."""

    read_scope = None
    write_scope = None

    @extend_schema(
        tags=[TAG],
        operation_id="read_document",
        summary="This document, in OpenAPI 3.1",
        parameters=[IF_NONE_MATCH, ETAG, RETRY_AFTER, CHALLENGE],
        responses={
            200: OpenApiTypes.OBJECT,
            304: OpenApiResponse(description="It still is as its ETag says."),
            **refusals(),
        },
    )
    def get(self, request: Request) -> Response:
        return tagged(request, document())


class DocumentPage(Document):
    """The document for whoever asks: a page for people, JSON for programs that say so."""

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
        preferred = request.get_preferred_type([PAGE, PROGRAMS])
        is_page = preferred == PAGE and request.method in SAFE_METHODS
        response = _page(request) if is_page else super().dispatch(request, *args, **kwargs)
        patch_vary_headers(response, ["Accept"])
        return response

    @extend_schema(
        tags=[TAG],
        operation_id="read_document_page",
        summary="This document, as a page; as JSON for who accepts that alone",
        parameters=[IF_NONE_MATCH, ETAG, RETRY_AFTER, CHALLENGE],
        responses={
            (200, PAGE): OpenApiTypes.STR,
            (200, PROGRAMS): OpenApiTypes.OBJECT,
            304: OpenApiResponse(description="It still is as its ETag says."),
            **refusals(),
        },
    )
    def get(self, request: Request) -> Response:
        return super().get(request)


def _page(request: HttpRequest) -> HttpResponse:
    """The page; like every page it knows who is signed in, though that opens nothing else here."""
    told = document()
    context = {
        "version": told["info"]["version"],
        "sections": outline(told),
        "kinds": KINDS,
        "problem_type": MEDIA_TYPE,
        "scopes": Scope.choices,
        "changes": CHANGES,
        "site": SITE,
        "key_header": HEADER,
        "kept_hours": KEPT.total_seconds() // 3600,
        "usual_limit": USUAL,
        "most_limit": MOST,
        "limit_bytes": LIMIT_BYTES,
    }
    return render(request, "api/document.html", context)
