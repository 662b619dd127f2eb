"""Bodies: JSON as RFC 8259 has it, of bounded size and depth, and nothing that the record could not keep."""

import json
import math
from typing import Any

from rest_framework.parsers import BaseParser

from registry.api.problems import Refused

LIMIT_BYTES = 1_000_000
DEEPEST = 12


class PlainJSON(BaseParser):
    """An object or list of JSON in UTF-8; each name once, every number finite, every text storable."""

    media_type = "application/json"

    def parse(self, stream: Any, media_type: str | None = None, parser_context: Any = None) -> Any:
        sent = stream.read(LIMIT_BYTES + 1)
        if len(sent) > LIMIT_BYTES:
            raise Refused("too_large", f"The body is larger than {LIMIT_BYTES} bytes. Send less at once.")
        try:
            parsed = json.loads(
                sent.decode("utf-8"),
                object_pairs_hook=_once_each,
                parse_constant=_no_constant,
                parse_float=_finite,
            )
        except (ValueError, RecursionError) as error:
            # UnicodeDecodeError and JSONDecodeError are ValueErrors; so is an integer of thousands of digits.
            raise Refused("malformed", f"The body cannot be read as JSON: {error}.") from error
        _refuse_unstorable(parsed, DEEPEST)
        return parsed


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    said = dict(pairs)
    if len(said) < len(pairs):
        raise ValueError("an object has a name twice")
    return said


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError("a number is too large")
    return number


def _refuse_unstorable(value: Any, depth: int) -> None:
    if depth == 0:
        raise Refused("malformed", f"The body is nested deeper than {DEEPEST} levels.")
    if isinstance(value, str):
        _refuse_text(value)
    elif isinstance(value, dict):
        for name, each in value.items():
            _refuse_text(name)
            _refuse_unstorable(each, depth - 1)
    elif isinstance(value, list):
        for each in value:
            _refuse_unstorable(each, depth - 1)


def _refuse_text(text: str) -> None:
    if "\0" in text or (not text.isascii() and any("\ud800" <= sign <= "\udfff" for sign in text)):
        raise Refused("malformed", "A text holds a NUL or half a surrogate pair, which no record can keep.")
