"""Entity tags (RFC 9110, section 8.8.3): what one has seen, so that nobody overwrites what they have not."""

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from django.utils.http import parse_etags, quote_etag
from rest_framework import status
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.encoders import JSONEncoder

from registry.api.problems import Refused, stale

# A compressed answer is another representation with a tag of its own, of the same state (section 8.8.3.3).
_COMPRESSED = "-gzip"
UNSEEN = (
    "A change names the state it was made from: send the ETag of what you read as If-Match. '*' names none."
)


def etag(shown: Any, mark: int = 0) -> str:
    """The strong tag of what is shown, and of how far it has been corrected."""
    plain = json.dumps(shown, cls=JSONEncoder, sort_keys=True)
    return quote_etag(f"{mark}-{hashlib.sha256(plain.encode('utf-8')).hexdigest()[:32]}")


def compressed(tag: str) -> str:
    """The strong tag of the same answer, compressed."""
    return f'{tag[:-1]}{_COMPRESSED}"'


def tagged(
    request: Request,
    shown: Any,
    mark: int = 0,
    status_code: int = status.HTTP_200_OK,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """What is shown with its tag; 304 without a body to whoever has read that already."""
    tag = etag(shown, mark)
    known = {each.removeprefix("W/") for each in parse_etags(request.headers.get("If-None-Match", ""))}
    read = next((each for each in (tag, compressed(tag)) if known & {"*", each}), None)
    if read and request.method in ("GET", "HEAD"):
        return Response(status=status.HTTP_304_NOT_MODIFIED, headers={"ETag": read})
    return Response(shown, status_code, headers={"ETag": tag, **(headers or {})})


def require_match(request: Request, current: str) -> None:
    """Refuse a change by whoever has not seen the state that stands: 428 without If-Match, 412 when stale."""
    said = request.headers.get("If-Match", "").strip()
    if said in ("", "*"):
        raise Refused("unseen", UNSEEN)
    # Compared strongly: a weak tag never matches.
    if not {current, compressed(current)} & set(parse_etags(said)):
        raise stale()
