"""From a resource to its addresses, each with what the document says of it."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from django.http import HttpResponse
from django.urls import URLPattern, path
from drf_spectacular.utils import OpenApiExample, OpenApiResponse, extend_schema, extend_schema_view

from registry.api import schema
from registry.api.entries import (
    EntryList,
    EntryOne,
    EntryOneAndCorrect,
    EntryView,
    History,
    HistorySerializer,
    ReasonSerializer,
    Reinstatement,
    Withdrawal,
)
from registry.api.listing import CHANGED_SINCE, KNEE
from registry.api.resource import Resource

_ALWAYS = [schema.RETRY_AFTER, schema.CHALLENGE]
_CHANGES = (404, 409, 412, 413, 415, 422, 428)
_CREATES = (404, 409, 413, 415, 422, 428)
_CHANGING = [schema.IF_MATCH, schema.ETAG, *_ALWAYS]


def addresses(
    resource: Resource,
    *,
    lists: type[EntryView] | None = EntryList,
    filters: Sequence[Any] = (KNEE, CHANGED_SINCE),
    withdrawn: bool = True,
) -> list[URLPattern]:
    """Every address of one kind of entry; `withdrawn` for what can be withdrawn and brought back."""
    made = [_one(resource)]
    if lists:
        made.insert(0, _all(resource, lists, filters))
    if withdrawn:
        made += [*_acts(resource), _history(resource)]
    return made


def told(resource: Resource, operation: str, summary: str, **said: Any) -> Any:
    """What the document says of one method."""
    return extend_schema(
        operation_id=f"{operation}_{resource.name}",
        summary=summary,
        tags=[resource.slug.replace("-", " ").capitalize()],
        **said,
    )


def view(base: type[EntryView], resource: Resource, **methods: Any) -> Callable[..., HttpResponse]:
    """The view of a resource, told of in the document."""
    made: Any = type(
        f"{base.__name__}Of{resource.name}", (base,), {"resource": resource, "__doc__": base.__doc__}
    )
    shown: Callable[..., HttpResponse] = extend_schema_view(**methods)(made).as_view()
    return shown


def act(
    resource: Resource, base: type[EntryView], name: str, summary: str, body: Any = ReasonSerializer
) -> URLPattern:
    """An act on one entry, by whoever has seen it as it stands."""
    shown: dict[Any, Any] = {200: resource.shown, **schema.refusals(*_CHANGES)}
    post = told(resource, name, summary, request=body, responses=shown, parameters=_CHANGING)
    made = view(base, resource, post=post)
    return path(f"{resource.slug}/<uuid:uuid>/{name}/", made, name=f"api_{resource.name}_{name}")


def _all(resource: Resource, lists: type[EntryView], filters: Iterable[Any]) -> URLPattern:
    listing = told(
        resource,
        "list",
        f"List {resource.slug.replace('-', ' ')}",
        parameters=[schema.LIMIT, schema.CURSOR, *filters, *_ALWAYS],
        responses={200: schema.page_of(resource.shown, f"{resource.name}_page"), **schema.refusals()},
    )
    methods = {"get": listing}
    if hasattr(lists, "post"):
        methods["post"] = told(
            resource,
            "record",
            f"Record: {resource.words}",
            request=resource.recorded,
            responses={201: resource.shown, **schema.refusals(*_CREATES)},
            parameters=[
                schema.IDEMPOTENCY_KEY,
                schema.ETAG,
                schema.LOCATION,
                schema.REPLAYED_HEADER,
                *_ALWAYS,
            ],
            examples=_examples(resource),
        )
    return path(f"{resource.slug}/", view(lists, resource, **methods), name=f"api_{resource.name}_list")


def _one(resource: Resource) -> URLPattern:
    unchanged = OpenApiResponse(description="It still is as its ETag says.")
    methods = {
        "get": told(
            resource,
            "read",
            f"Read one: {resource.words}",
            parameters=[schema.IF_NONE_MATCH, schema.ETAG, *_ALWAYS],
            responses={200: resource.shown, 304: unchanged, **schema.refusals(404)},
        )
    }
    if resource.corrected:
        methods["patch"] = told(
            resource,
            "correct",
            f"Correct: {resource.words}",
            request=resource.corrected,
            responses={200: resource.shown, **schema.refusals(*_CHANGES)},
            parameters=_CHANGING,
        )
    base = EntryOneAndCorrect if resource.corrected else EntryOne
    address = f"{resource.slug}/<uuid:uuid>/"
    return path(address, view(base, resource, **methods), name=f"api_{resource.name}")


def _acts(resource: Resource) -> list[URLPattern]:
    return [
        act(resource, Withdrawal, "withdrawal", f"Withdraw: {resource.words}"),
        act(resource, Reinstatement, "reinstatement", f"Bring back: {resource.words}"),
    ]


def _history(resource: Resource) -> URLPattern:
    get = told(
        resource,
        "history",
        f"Every correction: {resource.words}",
        responses={200: HistorySerializer, **schema.refusals(404)},
        parameters=_ALWAYS,
    )
    made = view(History, resource, get=get)
    return path(f"{resource.slug}/<uuid:uuid>/history/", made, name=f"api_{resource.name}_history")


def _examples(resource: Resource) -> list[OpenApiExample]:
    if resource.example is None:
        return []
    return [OpenApiExample("Invented", resource.example, request_only=True)]
