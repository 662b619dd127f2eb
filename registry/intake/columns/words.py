"""Words of headers and values, made comparable: blind to case, accents, hyphens and spacing. Pure."""

import re
import unicodedata
from datetime import date, datetime

from registry.intake.file.sheet import Unreadable, Value

_NOT_A_WORD = re.compile(r"[^0-9a-z]+")
_LETTER_THEN_DIGIT = re.compile(r"(?<=[a-z])(?=\d)|(?<=\d)(?=[a-z])")


def folded(text: str) -> str:
    """Small letters without accents and digits, one space between words: "OP-Datum" is "op datum"."""
    bare = unicodedata.normalize("NFKD", text.casefold())
    return _NOT_A_WORD.sub(" ", "".join(c for c in bare if not unicodedata.combining(c))).strip()


def worded(text: str) -> str:
    """`folded`, with digits as words of their own: "Tear1" is "tear 1"."""
    return _LETTER_THEN_DIGIT.sub(" ", folded(text))


def typed(value: Value) -> str:
    """A value as a person would type it: a whole number without ".0", a date as 2021-04-03, nothing as ""."""
    if value is None:
        return ""
    if isinstance(value, Unreadable):
        return value.text
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, datetime):
        return value.isoformat(" ").removesuffix(" 00:00:00")
    return value.isoformat() if isinstance(value, date) else str(value)
