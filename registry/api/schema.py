"""What the document says of every address: headers asked for, headers given, and how it may refuse."""

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, OpenApiResponse, inline_serializer
from rest_framework import serializers

from registry.api.creating import HEADER, LONGEST, REPLAYED
from registry.api.paging import MOST, USUAL
from registry.api.problems import KINDS, MEDIA_TYPE, TOLD_AT, Refused, body


class ProblemSerializer(serializers.Serializer):
    """One thing to mend."""

    pointer = serializers.CharField(
        help_text="Where in the body (JSON Pointer, RFC 6901); '?name' for a parameter of the address."
    )
    value = serializers.JSONField(help_text="What was sent there, unless it may name a patient.")
    detail = serializers.CharField(help_text="The rule it breaks, and how to mend it.")


class RefusalSerializer(serializers.Serializer):
    """A refusal (RFC 9457)."""

    type = serializers.CharField(help_text="Which kind of refusal, as an address that tells of it.")
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    problems = ProblemSerializer(many=True)


# Of a request that is understood and allowed, these can still come in its way.
ALWAYS = (400, 401, 403, 405, 406, 429)

IF_MATCH = OpenApiParameter(
    "If-Match",
    OpenApiTypes.STR,
    OpenApiParameter.HEADER,
    required=True,
    description="The ETag of the state that was read; '*' is refused.",
)
IF_NONE_MATCH = OpenApiParameter(
    "If-None-Match",
    OpenApiTypes.STR,
    OpenApiParameter.HEADER,
    description="An ETag read before: answered with 304 while it still holds.",
)
IDEMPOTENCY_KEY = OpenApiParameter(
    HEADER,
    {"type": "string", "minLength": 1, "maxLength": LONGEST, "pattern": "^[!-~]+$"},
    OpenApiParameter.HEADER,
    required=True,
    description="New for each request, the same when it is sent again within a day.",
)
CURSOR = OpenApiParameter("cursor", OpenApiTypes.STR, description="As given in the `next` of a page.")
LIMIT = OpenApiParameter(
    "limit", {"type": "integer", "minimum": 1, "maximum": MOST, "default": USUAL}, description="Items a page."
)
ETAG = OpenApiParameter(
    "ETag", OpenApiTypes.STR, OpenApiParameter.HEADER, response=[200, 201, 304], description="Strong."
)
LOCATION = OpenApiParameter(
    "Location", {"type": "string", "format": "uri-reference"}, OpenApiParameter.HEADER, response=[201]
)
REPLAYED_HEADER = OpenApiParameter(
    REPLAYED,
    {"type": "string", "enum": ["true"]},
    OpenApiParameter.HEADER,
    response=[201],
    description="There when nothing new was created.",
)
RETRY_AFTER = OpenApiParameter(
    "Retry-After", OpenApiTypes.INT, OpenApiParameter.HEADER, response=[429], description="Seconds."
)
CHALLENGE = OpenApiParameter("WWW-Authenticate", OpenApiTypes.STR, OpenApiParameter.HEADER, response=[401])


def refusals(*statuses: int) -> dict[tuple[int, str], OpenApiResponse]:
    """The refusals of an address: those that can always come, and these."""
    return {(status, MEDIA_TYPE): _refusal(status) for status in sorted({*ALWAYS, *statuses})}


def page_of(items: Any, name: str) -> Any:
    """The schema of a page of items."""
    return inline_serializer(
        name,
        {
            "items": items(many=True),
            "next": serializers.URLField(allow_null=True, help_text="The next page; null on the last."),
        },
    )


def _refusal(status: int) -> OpenApiResponse:
    examples = [
        OpenApiExample(code, {**body(Refused(code)), "type": f"{TOLD_AT}{code}"}, status_codes=[str(status)])
        for code, kind in KINDS.items()
        if kind.status == status
    ]
    titles = "; ".join(kind.title for kind in KINDS.values() if kind.status == status)
    return OpenApiResponse(RefusalSerializer, titles, examples)
