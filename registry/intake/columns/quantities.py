"""Numbers as people type them, with either decimal sign and with units. Pure."""

import re
from collections.abc import Mapping
from datetime import date, time
from decimal import ROUND_HALF_UP, Decimal
from math import isfinite

from django.core.exceptions import ValidationError

from registry.intake.columns.targets import Kind, Target
from registry.intake.columns.unclear import Unclear
from registry.intake.columns.words import typed
from registry.intake.file.sheet import Value

# How units are typed, and their UCUM codes. Common practice, no source.
UNIT_WORDS = {
    word: code
    for code, words in {
        "mm": "mm millimeter millimetre millimetres",
        "cm": "cm centimeter centimetre centimetres zentimeter",
        "deg": "deg degree degrees grad grados ° º degres",
        "min": "min mins minute minutes minuten minutos min.",
        "h": "h hr hrs hour hours std stunden horas",
        "d": "d day days tage tag dias jours",
        "wk": "wk wks w week weeks wo wochen woche semanas semaines sem",
        "mo": "mo mon month months monate monat meses mois",
        "a": "y yr yrs year years jahre jahr anos ans",
        "mL": "ml cc milliliter",
        "%": "% percent prozent pct",
        "kg/m2": "kg/m2 kg/m²",
    }.items()
    for word in words.split()
}
# What one of the first is in the second.
_FACTORS = {
    ("cm", "mm"): Decimal(10),
    ("h", "min"): Decimal(60),
    ("d", "wk"): 1 / Decimal(7),
    ("a", "mo"): Decimal(12),
    ("1", "%"): Decimal(100),
}
# Grades are typed with their name, in Roman figures or with a plus.
_GRADE = re.compile(
    r"(?:(?:asa|grade?|grado|icrs|stage|level)\b\W*)?(?:(\d+)\+?|(i{1,3}|iv|v))", re.IGNORECASE
)
_ROMAN = {"i": "1", "ii": "2", "iii": "3", "iv": "4", "v": "5"}
_NUMBER = re.compile(r"([+-]?)\s*(\d[\d.,]*)\s*(\D.*|)")
_RANGE = re.compile(r"\d[\d.,]*\s*\D{0,3}\s*(-|–|—|bis|to|a|und|/)\s*\d[\d.,]*\s*\D*")  # noqa: RUF001
_BOUND = re.compile(
    r"([<>≤≥~]|ca|circa|etwa|about|approx|max|min|über|unter|over|under)\W*\d.*", re.IGNORECASE
)
_GROUPED = re.compile(r"\d{1,3}(?:[ '’\u00a0\u202f]\d{3})+(?!\d)")  # noqa: RUF001
_TOO_LARGE = 10**12
_THOUSANDS = re.compile(r"[1-9]\d{0,2}(?:[.,]\d{3})+")


class TwoNumbers(Unclear):
    """A text that is two numbers, both possible, as long as nobody says which decimal sign it has."""


def units_of(target: Target) -> tuple[str, ...]:
    """UCUM codes that its values can be written in, its own first; empty where it has none."""
    return (target.unit, *(unit for unit, own in _FACTORS if own == target.unit)) if target.unit else ()


def unit_named(words: str) -> str | None:
    """The UCUM code of a unit as typed, None where that is none."""
    return UNIT_WORDS.get(words.strip().casefold()) or UNIT_WORDS.get(words.strip(" .").casefold())


def read(value: Value, target: Target, unit: str, decimal: str) -> int | Decimal:
    """The number that a value tells, in the target's unit.

    A unit in the cell goes before that of its column. Raises Unclear for a number with two readings, none,
    or one outside the target's limits.
    """
    number, own_unit = readings(value if target.unit else grade(value))
    times = factor(target, own_unit or unit)
    fitting = {sign: (each * times).quantize(Decimal("1e-9")) for sign, each in number.items()}
    return checked(target, _chosen(fitting, target, decimal))


def grade(value: Value) -> Value:
    """A grade without its name, Roman figures or plus, as a number; any other value as it is."""
    match = _GRADE.fullmatch(value) if isinstance(value, str) else None
    return (match[1] or _ROMAN[match[2].lower()]) if match else value


def readings(value: Value) -> tuple[dict[str, Decimal], str]:
    """What a value can be by decimal sign ("" where it needs none), and the unit typed with it."""
    if isinstance(value, bool | date | time):
        raise Unclear("is no number.", "Enter the number; a spreadsheet may have turned it into this.")
    by_sign, unit = _of_a_number(value) if isinstance(value, int | float) else _of_text(typed(value))
    if any(abs(number) >= _TOO_LARGE for number in by_sign.values()):
        raise Unclear("is too large for any number of the record.", "Correct it.")
    return by_sign, unit


def _of_a_number(value: float) -> tuple[dict[str, Decimal], str]:
    if not isfinite(value):
        raise Unclear("is no number.", "Enter the number.")
    return {"": Decimal(f"{value:.12g}")}, ""


def _of_text(typed_text: str) -> tuple[dict[str, Decimal], str]:
    text = _GROUPED.sub(lambda match: re.sub(r"\D", "", match[0]), typed_text.replace("\u2212", "-"))
    match = _NUMBER.fullmatch(text)
    if match is None or _RANGE.fullmatch(text):
        raise _refusal(text)
    behind = match[3].strip()
    unit = unit_named(behind) if behind else ""
    if unit is None:
        raise Unclear(f"has '{behind}' behind its number.", "Enter the number alone, or a known unit.")
    return {sign: -each if match[1] == "-" else each for sign, each in _by_sign(match[2]).items()}, unit


def _by_sign(digits: str) -> dict[str, Decimal]:
    """ "1,234" is 1.234 with a comma as decimal sign and 1234 with a point."""
    signs = [sign for sign in digits if not sign.isdecimal()]
    if not signs:
        return {"": Decimal(digits)}
    found = {}
    last, other = signs[-1], "." if signs[-1] == "," else ","
    front, _, back = digits.rpartition(last)
    if last not in front and (other not in front or _THOUSANDS.fullmatch(front)) and back:
        found[last] = Decimal(f"{front.replace(other, '')}.{back}")
    if len(set(signs)) == 1 and _THOUSANDS.fullmatch(digits):
        found[other] = Decimal(digits.replace(last, ""))
    if not found:
        raise Unclear("is no number.", "Correct its points and commas.")
    return found


def factor(target: Target, unit: str) -> Decimal:
    """What a number in a unit is multiplied by; Unclear where the target has no such unit."""
    if unit in ("", target.unit):
        return Decimal(1)
    if (unit, target.unit) not in _FACTORS:
        raise Unclear(
            f"is given in {unit}.", f"Enter it {f'in {target.unit}' if target.unit else 'without unit'}."
        )
    return _FACTORS[unit, target.unit]


def _chosen(by_sign: Mapping[str, Decimal], target: Target, decimal: str) -> Decimal:
    if len(by_sign) == 1 or decimal in by_sign:
        return by_sign.get(decimal, next(iter(by_sign.values())))
    fitting = [number for number in by_sign.values() if fits(target, number)]
    if len(fitting) > 1:
        both = " or ".join(f"{number.normalize():f}" for number in fitting)
        raise TwoNumbers(f"can be {both}.", "Say which decimal sign this column has.")
    return next(iter(fitting or by_sign.values()))


def fits(target: Target, number: Decimal) -> bool:
    """Whether a number lies within the target's limits, and is whole where it has to be."""
    is_whole = target.kind is Kind.DECIMAL or number == number.to_integral_value()
    above = target.low is None or number >= target.low
    return is_whole and above and (target.high is None or number <= target.high)


def checked(target: Target, number: Decimal) -> int | Decimal:
    """The number as the record keeps it, rounded to its places; Unclear, in the record's words, outside."""
    kept = _kept(target, number)
    if target.choices and str(kept) not in target.codes:
        raise Unclear(f"is none of {', '.join(target.codes)}.", "Correct it, or leave it empty if unknown.")
    checked_by_record(target, kept if target.kind is Kind.WHOLE else Decimal(f"{number.normalize():f}"))
    return kept


def _kept(target: Target, number: Decimal) -> int | Decimal:
    if target.kind is Kind.DECIMAL:
        return number.quantize(Decimal(1).scaleb(-target.places), ROUND_HALF_UP)
    if number != number.to_integral_value():
        unit = f" of {target.unit}" if target.unit else ""
        raise Unclear(f"is no whole number{unit}.", "Round it, or say in which unit this column is.")
    return int(number)


def checked_by_record(target: Target, value: object) -> None:
    """Unclear in the words of the record's own validators."""
    for validator in target.validators:
        try:
            validator(value)
        except ValidationError as refusal:
            rule, _, mend = refusal.messages[0].rpartition(". ")
            raise Unclear(f"{rule}.", mend) from refusal


def _refusal(text: str) -> Unclear:
    if _RANGE.fullmatch(text):
        return Unclear("is a range.", "Enter one number, or leave the cell empty.")
    if _BOUND.fullmatch(text):
        return Unclear("is no exact number.", "Enter the number itself, or leave the cell empty.")
    return Unclear("is no number.", "Enter the number, or leave the cell empty.")
