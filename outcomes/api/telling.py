"""What the document says of an address on what the record says."""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar

from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema

from registry.api.schema import CHALLENGE, ETAG, IF_NONE_MATCH, RETRY_AFTER, refusals

_View = TypeVar("_View", bound=Callable[..., Any])

UNCHANGED = OpenApiResponse(description="It still is as its ETag says.")


def told(
    tag: str,
    operation_id: str,
    summary: str,
    responses: Mapping[Any, Any],
    *statuses: int,
    parameters: Iterable[OpenApiParameter] = (),
    **said: Any,
) -> Callable[[_View], _View]:
    """Tell of one method: under which heading, what it answers, and how it may also refuse."""
    decorated: Callable[[_View], _View] = extend_schema(
        tags=[tag],
        operation_id=operation_id,
        summary=summary,
        responses={**responses, **refusals(*statuses)},
        parameters=[*parameters, RETRY_AFTER, CHALLENGE],
        **said,
    )
    return decorated


def read(
    tag: str,
    operation_id: str,
    summary: str,
    shown: Any,
    *statuses: int,
    parameters: Iterable[OpenApiParameter] = (),
    **said: Any,
) -> Callable[[_View], _View]:
    """Tell of a method that gives one thing with its ETag."""
    asked = [*parameters, IF_NONE_MATCH, ETAG]
    answers = {200: shown, 304: UNCHANGED}
    return told(tag, operation_id, summary, answers, *statuses, parameters=asked, **said)
