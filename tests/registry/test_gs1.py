"""Labels of implants: printed examples, any valid label there and back, and 500 damaged ones refused."""

import re
import string
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from random import Random
from typing import NamedTuple

import pytest
import time_machine
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.gs1 import CHARACTER_SET_82, DeviceLabel, UnreadableLabel, normal_identifier, read

FNC1 = "\x1d"
THIS_YEAR = datetime.now(UTC).year
Elements = Sequence[tuple[str, str]]


def bracketed(elements: Elements) -> str:
    return "".join(f"({ai}){data}" for ai, data in elements)


def scanned(elements: Elements) -> str:
    """Fields of variable length, lot and serial, end in FNC1 unless they come last."""
    fields = (f"{ai}{data}{FNC1 if ai in ('10', '21') else ''}" for ai, data in elements)
    return "".join(fields).removesuffix(FNC1)


def modulo_10(digits: str) -> str:
    """Check digit by GS1 General Specifications 7.9.1: weights 3 and 1 from the right, up to the next ten."""
    total = sum(int(digit) * (1 if place % 2 else 3) for place, digit in enumerate(reversed(digits)))
    return str(-total % 10)


# --- printed examples --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "identifier"),
    [
        ("9501101530003", "09501101530003"),  # GS1 General Specifications, figure 2.6.14-3
        ("6291041500213", "06291041500213"),  # how GS1 explains the check digit, from memory
        ("614141000036", "00614141000036"),  # GTIN-12 of GS1's own examples, from memory
        ("95012346", "00000095012346"),  # GTIN-8, documentation of the library biip
        ("51022222233336", "51022222233336"),  # UDI example of the FDA, from memory
        (" 9 501101 530003 ", "09501101530003"),
    ],
)
def test_a_typed_identifier_gets_its_14_digits(typed: str, identifier: str) -> None:
    assert normal_identifier(typed) == identifier


@pytest.mark.parametrize(
    ("typed", "reason"),
    [
        ("9501101530004", "check digit 4, where 3 is due"),
        ("123456789", "not a number of 8, 12, 13 or 14 digits"),
        ("950110153000X", "not a number of 8, 12, 13 or 14 digits"),
        ("٩501101530003", "not a number of 8, 12, 13 or 14 digits"),
        ("", "not a number of 8, 12, 13 or 14 digits"),
    ],
)
def test_a_wrong_identifier_is_refused(typed: str, reason: str) -> None:
    with pytest.raises(UnreadableLabel, match=re.escape(reason)) as refused:
        normal_identifier(typed)
    assert f"'{typed}'" in str(refused.value)
    assert str(refused.value).endswith("Correct it from the label.")


AB_123 = DeviceLabel("09501101530003", lot="AB-123", expires_on=date(2015, 1, 19))


@pytest.mark.parametrize(
    ("text", "label"),
    [
        # GS1 General Specifications, figure 2.6.14-3, in every way a scanner or a hand types it.
        ("(01)09501101530003(17)150119(10)AB-123", AB_123),
        (" (01) 09501101530003 (17) 150119\n(10) AB-123 ", AB_123),
        ("01095011015300031715011910AB-123", AB_123),
        ("]C101095011015300031715011910AB-123", AB_123),
        ("]d201095011015300031715011910AB-123\n", AB_123),
        ("]Q301095011015300031715011910AB-123", AB_123),
        (f"]d2{FNC1}010950110153000310AB-123{FNC1}17150119{FNC1}", AB_123),
        (f"010950110153000310AB-123{FNC1}1715011910AB-123", AB_123),
        # GS1 DataMatrix Guideline, example 2 of encoding.
        (
            f"01095011010209171719050810ABCD1234{FNC1}2110",
            DeviceLabel("09501101020917", "ABCD1234", "10", date(2019, 5, 8)),
        ),
        # UDI example of the FDA, from memory.
        (
            "(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234",
            DeviceLabel("51022222233336", "A213B1", "1234", date(2015, 7, 7), date(2014, 12, 31)),
        ),
        # A field that is not kept: (240), additional identification.
        (f"0109501101530003240XL{FNC1}1715011910AB-123", AB_123),
        ("0109501101530003", DeviceLabel("09501101530003")),
    ],
)
def test_a_printed_example_reads(text: str, label: DeviceLabel) -> None:
    assert read(text) == label


# --- dates -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("digits", "day"),
    [("240200", date(2024, 2, 29)), ("250200", date(2025, 2, 28)), ("250400", date(2025, 4, 30))],
)
def test_day_00_is_the_last_of_the_month(digits: str, day: date) -> None:
    assert read(f"010950110153000317{digits}").expires_on == day


# GS1 General Specifications 7.12, from memory: two digits of a year less those of the current year are in the
# century before from 51 to 99, in the one after from -99 to -50, else in the current.
@pytest.mark.parametrize(
    ("now", "digits", "year"),
    [
        (2026, "76", 2076),
        (2026, "77", 1977),
        (2026, "00", 2000),
        (2049, "99", 2099),
        (2049, "00", 2000),
        (2050, "00", 2100),
        (2050, "01", 2001),
        (2050, "99", 2099),
        (1999, "49", 2049),
        (1999, "50", 1950),
    ],
)
def test_century_at_its_boundary(now: int, digits: str, year: int) -> None:
    with time_machine.travel(datetime(now, 6, 1, tzinfo=UTC), tick=False):
        assert read(f"010950110153000317{digits}0228").expires_on == date(year, 2, 28)


# --- any valid label ---------------------------------------------------------------------------

TEXT = st.text(sorted(CHARACTER_SET_82), min_size=1, max_size=20)
UNBRACKETED = st.text(sorted(CHARACTER_SET_82 - {"("}), min_size=1, max_size=20)
DAYS = st.dates(date(THIS_YEAR - 49, 1, 1), date(THIS_YEAR + 50, 12, 31))
THIRTEEN = st.text(string.digits, min_size=13, max_size=13)


def written(identifier: str, lot: str, serial: str, expiry: date) -> Elements:
    return [("01", identifier), ("10", lot), ("21", serial), ("17", f"{expiry:%y%m%d}")]


@settings(deadline=None, derandomize=True, max_examples=150)
@given(THIRTEEN, TEXT, TEXT, DAYS, st.permutations(range(4)), st.sampled_from(["", "]C1", "]d2", "]Q3"]))
def test_any_scan_there_and_back(
    digits: str, lot: str, serial: str, expiry: date, order: list[int], symbology: str
) -> None:
    identifier = digits + modulo_10(digits)
    elements = written(identifier, lot, serial, expiry)
    text = symbology + scanned([elements[place] for place in order])
    assert read(text) == DeviceLabel(identifier, lot, serial, expiry)
    assert normal_identifier(identifier) == identifier


@settings(deadline=None, derandomize=True, max_examples=150)
@given(THIRTEEN, UNBRACKETED, UNBRACKETED, DAYS, st.permutations(range(4)))
def test_any_print_there_and_back(digits: str, lot: str, serial: str, expiry: date, order: list[int]) -> None:
    identifier = digits + modulo_10(digits)
    elements = written(identifier, lot, serial, expiry)
    label = DeviceLabel(identifier, lot, serial, expiry)
    assert read(bracketed([elements[place] for place in order])) == label


# --- 500 damaged labels ------------------------------------------------------------------------

WRITERS = (bracketed, scanned)
# In no edition of the General Specifications so far, from memory.
UNKNOWN_IDENTIFIERS = ("05", "06", "07", "09", "14", "18", "19", "28", "29", "38", "44", "45")
FORBIDDEN = "#$@[\\]^`{|}~ é€"
LONGEST_LOT = 20


class Good(NamedTuple):
    """What one undamaged label says."""

    identifier: str
    expiry: str
    lot: str
    serial: str

    def but(self, **damaged: str) -> Elements:
        told = self._replace(**damaged)
        return [("01", told.identifier), ("17", told.expiry), ("10", told.lot), ("21", told.serial)]


Damage = Callable[[Random, Good], tuple[Elements, str]]


def letters(random: Random, longest: int, shortest: int = 1) -> str:
    alphabet = string.ascii_letters + string.digits + "-./"
    return "".join(random.choices(alphabet, k=random.randint(shortest, longest)))


def a_good_label(random: Random) -> Good:
    digits = "".join(random.choices(string.digits, k=13))
    expiry = f"{random.randint(20, 40)}{random.randint(1, 12):02}{random.randint(0, 28):02}"
    return Good(digits + modulo_10(digits), expiry, letters(random, 20, 2), letters(random, 20))


def wrong_check_digit(identifier: str) -> str:
    return f"check digit {identifier[-1]}, where {modulo_10(identifier[:-1])} is due"


def a_digit_changed(random: Random, good: Good) -> tuple[Elements, str]:
    # Weights 1 and 3 have no factor in common with 10: every single change shows.
    place = random.randrange(14)
    other = random.choice([digit for digit in string.digits if digit != good.identifier[place]])
    identifier = good.identifier[:place] + other + good.identifier[place + 1 :]
    return good.but(identifier=identifier), wrong_check_digit(identifier)


def neighbours_swapped(random: Random, good: Good) -> tuple[Elements, str]:
    # A swap moves the sum by twice the difference, so digits that differ by 5 swap unseen: not made here.
    digits = good.identifier
    places = [place for place in range(13) if (int(digits[place]) - int(digits[place + 1])) % 5]
    place = random.choice(places)
    identifier = digits[:place] + digits[place + 1] + digits[place] + digits[place + 2 :]
    return good.but(identifier=identifier), wrong_check_digit(identifier)


def cut_short(random: Random, good: Good) -> tuple[Elements, str]:
    # The scan ends within its last field, which is of fixed length.
    ai, whole = random.choice([("01", good.identifier), ("17", good.expiry)])
    kept = random.randrange(len(whole))
    others = [element for element in good.but() if element[0] != ai]
    return [*others, (ai, whole[:kept])], f"has {kept} digits, where {len(whole)} are due"


def impossible_month(random: Random, good: Good) -> tuple[Elements, str]:
    month = random.choice([0, *range(13, 100)])
    return good.but(expiry=f"{good.expiry[:2]}{month:02}{good.expiry[4:]}"), "no day of the calendar"


def impossible_day(random: Random, good: Good) -> tuple[Elements, str]:
    # 2027 and 2029 have no 29 February.
    within_31 = ["270229", "290229", "240230", "250231", "260431", "260631", "260931", "261131"]
    expiry = random.choice([*within_31, f"{good.expiry[:4]}{random.randint(32, 99)}"])
    return good.but(expiry=expiry), "no day of the calendar"


def forbidden_character(random: Random, good: Good) -> tuple[Elements, str]:
    place, wrong = random.randrange(1, len(good.lot)), random.choice(FORBIDDEN)
    lot = good.lot[:place] + wrong + good.lot[place:]
    return good.but(lot=lot), f"holds '{wrong}', a character outside GS1 set 82"


def no_identifier(random: Random, good: Good) -> tuple[Elements, str]:
    others = good.but()[1:]
    return random.sample(others, len(others)), "has no device identifier"


def lot_too_long(random: Random, good: Good) -> tuple[Elements, str]:
    lot = letters(random, 40, LONGEST_LOT + 1)
    return good.but(lot=lot), f"has {len(lot)} characters, where GS1 allows 1 to 20"


def unknown_identifier(random: Random, good: Good) -> tuple[Elements, str]:
    fields = [*good.but()]
    # After fields of fixed length, where a scan goes on without a separator.
    fields.insert(random.randint(0, 2), (random.choice(UNKNOWN_IDENTIFIERS), "123456"))
    return fields, "starts with no application identifier that GS1 knows"


DAMAGES: tuple[Damage, ...] = (
    a_digit_changed,
    neighbours_swapped,
    cut_short,
    impossible_month,
    impossible_day,
    forbidden_character,
    no_identifier,
    lot_too_long,
    unknown_identifier,
)


def test_500_damaged_labels_are_refused_each_for_its_own_reason() -> None:
    random = Random(4711)  # noqa: S311 - a seed makes the same labels every time
    wrongly = []
    for number in range(500):
        good, write = a_good_label(random), WRITERS[number // len(DAMAGES) % 2]
        assert read(write(good.but())).device_identifier == good.identifier
        elements, reason = DAMAGES[number % len(DAMAGES)](random, good)
        said = refusal(write(elements))
        if reason not in said:
            wrongly.append((write(elements), reason, said))
    assert wrongly == []


def refusal(text: str) -> str:
    try:
        return f"read as {read(text)}"
    except UnreadableLabel as refused:
        return str(refused)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        # Read greedily, the end of this lot would pass as serial XYZ.
        ("010950110153000310ABCDEFGHIJKLMNOPQRST21XYZ", "has 25 characters"),
        ("(01)09501101530003(10)", "has 0 characters"),
        ("(01)09501101530003(10)A(10)B", "stands beside another one of 'A'"),
        ("(01)09501101530003(17)2612310", "has 7 digits, where 6 are due"),
        ("(01)0950110153000A", "holds other characters than digits"),
        ("(01)09501101530003(30)A", "does not have the format N2+N..8"),
        ("(01)09501101530003(0)1", "holds other characters than digits"),
        ("(lot)A", "starts with no application identifier"),
        ("(0109)501101530003", "starts with no application identifier"),
        ("]E09501101530003", "symbology ]E0, which carries no GS1 element strings"),
        ("]", "symbology ], which carries no GS1 element strings"),
        ("", "has no device identifier"),
    ],
)
def test_other_faults_are_named(text: str, reason: str) -> None:
    with pytest.raises(UnreadableLabel, match=re.escape(reason)):
        read(text)


def test_a_refusal_names_value_rule_and_mend() -> None:
    with pytest.raises(UnreadableLabel) as refused:
        read(f"(01)09501101530003(10){'A' * 60}")
    assert str(refused.value) == (
        f"Lot '{'A' * 39}…' has 60 characters, where GS1 allows 1 to 20. "
        "Scan the label again, or type it as printed, with its brackets."
    )
