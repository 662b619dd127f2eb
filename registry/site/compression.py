"""Answers made smaller for whoever takes gzip, where their length can tell nobody anything.

What is compressed beside something typed tells by its length whether the two are alike. So only rooms are
named here whose answers hold no secret and no identity; everything else goes as it is.
"""

import re
from typing import Any

from django.http import HttpRequest
from django.middleware.gzip import GZipMiddleware

from registry.api.etags import compressed

# By the module of the view. The API is asked with a key in a header, which no other site can make a browser
# send.
ROOMS = (
    "outcomes.pages.",
    "outcomes.api.",
    "registry.api.",
    "registry.pages.completeness",
    "registry.pages.due",
    "registry.pages.help.",
    "registry.pages.today",
)
# What answers an act may show a secret once, such as a patient's link.
READING = ("GET", "HEAD")
# Packages, pictures and workbooks are compressed as they are.
KINDS = re.compile(r"text/(html|csv)|application/([\w.+-]+\+)?json")


class Compression(GZipMiddleware):
    """gzip, by Django's own middleware, of what may be compressed; entity tags stay strong."""

    def process_response(self, request: HttpRequest, response: Any) -> Any:
        kind = response.get("Content-Type", "")
        if not (request.method in READING and _is_in_a_room(request) and KINDS.match(kind)):
            return response
        tag = response.get("ETag", "")
        answer = super().process_response(request, response)
        # A weak tag could not be sent back as If-Match.
        if tag.startswith('"') and answer.has_header("Content-Encoding"):
            answer.headers["ETag"] = compressed(tag)
        return answer


def _is_in_a_room(request: HttpRequest) -> bool:
    match = request.resolver_match
    return match is not None and match.func.__module__.startswith(ROOMS)
