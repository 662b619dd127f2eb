"""Lists in pages: oldest first, each page naming the next by an opaque cursor, so that none is missed."""

import binascii
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Callable
from typing import Any, TypeVar

from django.db.models import Model, QuerySet
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.urls import replace_query_param

from registry.api.problems import Problem, Refused

USUAL, MOST = 50, 200
# The largest key that both engines hold.
_LAST_KEY = 2**63 - 1

Row = TypeVar("Row", bound=Model)


def page(request: Request, rows: QuerySet[Row], shown: Callable[[list[Row]], list[Any]]) -> Response:
    """One page of rows by their keys: {"items": [...], "next": address or null}.

    Raises
    ------
    Refused
        A limit that is no number from 1 to 200, or a cursor that no page gave out.
    """
    limit = limit_of(request)
    found = list(rows.order_by("pk").filter(pk__gt=_after(request))[: limit + 1])
    items = found[:limit]
    following = None
    if len(found) > limit:
        following = replace_query_param(request.build_absolute_uri(), "cursor", cursor(items[-1].pk))
    return Response({"items": shown(items), "next": following})


def limit_of(request: Request) -> int:
    """How many rows of a page are asked for."""
    said = request.query_params.get("limit", str(USUAL))
    if said.isascii() and said.isdecimal() and len(said) < 5 and 1 <= int(said) <= MOST:
        return int(said)
    raise refused("limit", said, f"The limit is a whole number from 1 to {MOST}. Correct it.")


def cursor(key: int) -> str:
    """The cursor that leads on from a row."""
    return urlsafe_b64encode(f"after:{key}".encode()).decode().rstrip("=")


def refused(name: str, value: str, words: str) -> Refused:
    """The refusal of one parameter of the address."""
    return Refused("malformed", words, [Problem(f"?{name}", words, value)])


def _after(request: Request) -> int:
    said = request.query_params.get("cursor")
    if said is None:
        return 0
    try:
        begun, _, key = urlsafe_b64decode(said.encode("ascii") + b"===").decode("ascii").partition(":")
    except (ValueError, binascii.Error):
        begun, key = "", ""
    if begun != "after" or not key.isdecimal() or len(key) > 19 or int(key) > _LAST_KEY:
        raise refused("cursor", said, "This cursor comes from no page. Take the address in 'next' as it is.")
    return int(key)
