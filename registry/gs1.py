"""What the label of an implant says: GS1 element strings, as scanned or as printed with brackets."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date

from biip import ParseError
from biip.checksums import gs1_standard_check_digit
from biip.gs1_application_identifiers import GS1ApplicationIdentifier
from biip.gs1_element_strings import GS1ElementString
from biip.symbology import GS1Symbology

# GS1 General Specifications, figure 7.11-1 (from memory): what lots and serials are written in.
CHARACTER_SET_82 = frozenset(
    "!\"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz"
)
IDENTIFIER_LENGTHS = (8, 12, 13, 14)

_NAMES = {
    "01": "device identifier",
    "10": "lot",
    "11": "production date",
    "17": "expiry date",
    "21": "serial",
}
_LONGEST_TEXT = 20
# Scanners type ASCII 29 where the code holds FNC1, which ends a field of variable length.
_SEPARATOR = "\x1d"
_BRACKETED = re.compile(r"\(([0-9]{2,4})\)")
_SCAN_AGAIN = "Scan the label again, or type it as printed, with its brackets"
_CORRECT = "Correct it from the label"
_LONGEST_SHOWN = 40


class UnreadableLabel(ValueError):  # noqa: N818 - what happened, as users are told
    """A label or identifier that breaks a rule of GS1; the message names value, rule and mend."""

    def __init__(self, what: str, value: str, rule: str, mend: str = _SCAN_AGAIN) -> None:
        super().__init__(f"{what} '{_shown(value)}' {rule}. {mend}.")


@dataclass(frozen=True, slots=True)
class DeviceLabel:
    """What a label says of one implant; text that it does not carry is empty."""

    device_identifier: str
    lot: str = ""
    serial: str = ""
    expires_on: date | None = None
    made_on: date | None = None


def read(scanned: str) -> DeviceLabel:
    """Read the label of an implant.

    Parameters
    ----------
    scanned
        GS1 element strings run together, with ASCII 29 for FNC1 and with or without symbology identifier
        ("]C1", "]d2", "]Q3", ...), or as printed with application identifiers in brackets. A lot that itself
        holds a number in brackets cannot be told from the printed form; it has to be scanned.

    Returns
    -------
    DeviceLabel
        Other fields that GS1 knows are checked and left out. Day 00 of a date is the last of its month; the
        century is that of GS1 General Specifications 7.12 (49 years back to 50 years ahead).

    Raises
    ------
    UnreadableLabel
        Where a rule of the GS1 General Specifications is broken.
    """
    text = _without_symbology(scanned.strip())
    found = _each_once(_bracketed(text) if text.startswith("(") else _run_together(text))
    if "01" not in found:
        raise UnreadableLabel(
            "Label",
            text,
            "has no device identifier, application identifier (01)",
            "Scan the code that holds (01), or type it as printed, with its brackets",
        )
    texts = {ai: element.value for ai, element in found.items()}
    dates = {ai: element.date for ai, element in found.items()}
    return DeviceLabel(
        texts["01"], texts.get("10", ""), texts.get("21", ""), dates.get("17"), dates.get("11")
    )


def normal_identifier(text: str) -> str:
    """Device identifier of 14 digits from a typed GTIN of 8, 12, 13 or 14, blanks between digits allowed.

    Raises
    ------
    UnreadableLabel
        When it is no such number, or its check digit is wrong.
    """
    digits = "".join(text.split())
    if not _is_number(digits) or len(digits) not in IDENTIFIER_LENGTHS:
        raise UnreadableLabel(
            "Device identifier", text.strip(), "is not a number of 8, 12, 13 or 14 digits", _CORRECT
        )
    _verify_check_digit(digits)
    return digits.zfill(IDENTIFIER_LENGTHS[-1])


def _shown(value: str) -> str:
    printable = "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in value)
    return printable if len(printable) <= _LONGEST_SHOWN else f"{printable[: _LONGEST_SHOWN - 1]}…"


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdecimal()


def _without_symbology(text: str) -> str:
    if not text.startswith("]"):
        return text
    if text[1:3] in {symbology.value for symbology in GS1Symbology.with_gs1_messages()}:
        return text[3:].lstrip()
    raise UnreadableLabel(
        "Label",
        text,
        f"starts with symbology {text[:3]}, which carries no GS1 element strings",
        "Scan the GS1 code of the label, or type it as printed, with its brackets",
    )


def _run_together(text: str) -> Iterator[GS1ElementString]:
    """Element strings of a scan: one of fixed length ends by itself, any other at the separator alone."""
    for stretch in text.split(_SEPARATOR):
        rest = stretch
        while rest:
            identifier = _identifier(rest)
            end = len(rest) if identifier.separator_required else len(identifier) + _width(identifier)
            yield _element(identifier, rest[len(identifier) : end])
            rest = rest[end:]


def _bracketed(text: str) -> Iterator[GS1ElementString]:
    before, *parts = _BRACKETED.split(text)
    if before:
        raise _unknown(before)
    for digits, data in zip(parts[::2], parts[1::2], strict=True):
        identifier = _identifier(digits)
        if identifier.ai != digits:
            raise _unknown(f"({digits})")
        yield _element(identifier, data.strip())


def _identifier(text: str) -> GS1ApplicationIdentifier:
    try:
        return GS1ApplicationIdentifier.extract(text)
    except ParseError as error:
        raise _unknown(text) from error


def _unknown(text: str) -> UnreadableLabel:
    return UnreadableLabel("Label", text, "starts with no application identifier that GS1 knows")


def _width(identifier: GS1ApplicationIdentifier) -> int:
    """Digits that follow an application identifier of fixed length, from a format like N2+N14."""
    return int(identifier.format.rpartition("N")[2])


def _element(identifier: GS1ApplicationIdentifier, data: str) -> GS1ElementString:
    what = _NAMES.get(identifier.ai, f"field {identifier}").capitalize()
    _verify_text(what, identifier, data)
    if identifier.ai == "01":
        _verify_check_digit(data)
    try:
        return GS1ElementString.parse(f"{identifier.ai}{data}")
    except ParseError as error:
        raise UnreadableLabel(what, data, _format_of(identifier)) from error


def _verify_text(what: str, identifier: GS1ApplicationIdentifier, data: str) -> None:
    if wrong := sorted(set(data) - CHARACTER_SET_82):
        raise UnreadableLabel(what, data, f"holds '{_shown(wrong[0])}', a character outside GS1 set 82")
    if not identifier.separator_required:
        _verify_digits(what, data, _width(identifier))
    elif identifier.ai in _NAMES and not 1 <= len(data) <= _LONGEST_TEXT:
        # The separator after it may have been lost, and the next fields read as part of it.
        raise UnreadableLabel(
            what, data, f"has {len(data)} characters, where GS1 allows 1 to {_LONGEST_TEXT}"
        )


def _verify_digits(what: str, data: str, width: int) -> None:
    if not _is_number(data or "0"):
        raise UnreadableLabel(what, data, "holds other characters than digits")
    if len(data) != width:
        raise UnreadableLabel(what, data, f"has {len(data)} digits, where {width} are due")


def _verify_check_digit(digits: str) -> None:
    due = gs1_standard_check_digit(digits[:-1])
    if digits[-1] != str(due):
        raise UnreadableLabel(
            "Device identifier", digits, f"ends in check digit {digits[-1]}, where {due} is due", _CORRECT
        )


def _format_of(identifier: GS1ApplicationIdentifier) -> str:
    if identifier.format == "N2+N6":
        return "is no day of the calendar (year, month, day in two digits each; day 00 is the month's last)"
    return f"does not have the format {identifier.format}"


def _each_once(elements: Iterable[GS1ElementString]) -> dict[str, GS1ElementString]:
    found: dict[str, GS1ElementString] = {}
    for element in elements:
        first = found.setdefault(element.ai.ai, element)
        if first.value != element.value:
            what = f"Field {element.ai}"
            raise UnreadableLabel(
                what, element.value, f"stands beside another one of '{_shown(first.value)}'"
            )
    return found
