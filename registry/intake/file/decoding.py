"""Bytes of a text file in: the text out and which encoding was taken, or a refusal where none fits."""

import codecs
import re
from itertools import islice

from registry.intake.file.sheet import FileRefused

SAVE_AS_UTF8 = 'Open it in a spreadsheet and save it as "CSV UTF-8" or as .xlsx.'

# The longer marks come first: that of UTF-32 begins as that of UTF-16 does.
_MARKS = (
    (codecs.BOM_UTF8, "utf-8", "UTF-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32-be", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16"),
)
# One byte a letter. ISO-8859-1 needs no trial: what it can print, Windows-1252 has at the same place.
_ONE_BYTE = (("cp1252", "Windows-1252"), ("mac_roman", "Mac OS Roman"))
_BEYOND_ASCII = re.compile(r"[^\x00-\x7f]")
# Letters of the languages that both encodings were made for, and signs that people type in a table.
_LETTERS = frozenset("äöüßáàâãåæçéèêëíìîïñóòôõøœúùûýÿ")
_SIGNS = frozenset("€°µ±²³½×§«»–—‘’“”„…•·¿¡ªº")  # noqa: RUF001 - the signs meant
_LOOKED_AT = 20_000  # characters: enough to tell the two apart
_SHOWN = 12


def decoded(content: bytes) -> tuple[str, str]:
    """The text without its byte order mark, and a note in words of which encoding was taken.

    Raises
    ------
    FileRefused
        If the bytes are no text, or text of an encoding that cannot be told.
    """
    for mark, codec, name in _MARKS:
        if content.startswith(mark):
            return _marked(content[len(mark) :], codec, name), f"Read as {name}, as its first bytes say."
    if b"\0" in content:
        raise FileRefused(f"It holds zero bytes, which no text does. {SAVE_AS_UTF8}")
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        return _of_one_byte(content)
    return text, "Read as plain ASCII." if text.isascii() else "Read as UTF-8."


def _marked(content: bytes, codec: str, name: str) -> str:
    try:
        text = content.decode(codec)
    except UnicodeDecodeError as error:
        raise FileRefused(
            f"Its first bytes say {name}, but byte {error.start + 1} after them is not. {SAVE_AS_UTF8}"
        ) from error
    if "\0" in text:
        raise FileRefused(f"It holds zero characters, which no text does. {SAVE_AS_UTF8}")
    return text


def _of_one_byte(content: bytes) -> tuple[str, str]:
    """Of the encodings that give every byte a character, the one whose characters make words."""
    tried = [_tried(content, codec) for codec, _ in _ONE_BYTE]
    share, text = max(tried, key=lambda each: each[0])  # the first of equals: it is by far the commoner
    if share < 0.5:
        raise FileRefused(
            "Its letters beyond ASCII make words neither in UTF-8 nor in Windows-1252 nor in Mac OS Roman. "
            + SAVE_AS_UTF8
        )
    name = _ONE_BYTE[[each[0] for each in tried].index(share)][1]
    letters = " ".join(sorted(set(_BEYOND_ASCII.findall(text)))[:_SHOWN])
    return text, f"Read as {name}, which was guessed. Check these letters where they stand: {letters}"


def _tried(content: bytes, codec: str) -> tuple[float, str]:
    """The share of characters beyond ASCII that make sense where they stand, 0 if it cannot be; the text."""
    try:
        text = content.decode(codec)
    except UnicodeDecodeError:
        return 0.0, ""
    sensible = [_is_sensible(text, each.start()) for each in islice(_BEYOND_ASCII.finditer(text), _LOOKED_AT)]
    return sum(sensible) / len(sensible), text


def _is_sensible(text: str, place: int) -> bool:
    """Whether a letter stands by an ASCII one, no capital after a small one; whether a sign is in no word."""
    before, letter, after = text[max(place - 1, 0) : place], text[place], text[place + 1 : place + 2]
    if letter.lower() in _LETTERS:
        is_in_word = any(each.isascii() and each.isalpha() for each in (before, after))
        return is_in_word and not (letter.isupper() and before.islower())
    return letter in _SIGNS and (letter == "’" or not (before.isalpha() and after.isalpha()))  # noqa: RUF001
