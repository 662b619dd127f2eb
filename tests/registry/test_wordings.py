"""Wording files: what is read, and each refusal with its row, value, rule and mend. Texts are invented."""

import csv
import io

import pytest

from registry.scoring import INSTRUMENTS
from registry.wordings import BadFile, Loaded, Text, example, load, read, wording

SOUND = 'instrument,code,text\nkoos,,Invented heading\nkoos,P1,"Invented, first"\nkoos,P1=0,Invented nought\n'


def refused(text: str | bytes) -> list[str]:
    with pytest.raises(BadFile) as refusal:
        read(text.encode() if isinstance(text, str) else text)
    return [str(each) for each in refusal.value.refusals]


def test_a_sound_file_is_read_with_its_rows() -> None:
    assert read(SOUND.encode()) == [
        Text(2, "koos", "", "Invented heading"),
        Text(3, "koos", "P1", "Invented, first"),
        Text(4, "koos", "P1=0", "Invented nought"),
    ]


@pytest.mark.parametrize(
    ("text", "of"),
    [
        pytest.param("\ufeff" + SOUND, "a byte order mark", id="mark"),
        pytest.param(SOUND.replace("\n", "\r\n"), "lines as Windows ends them", id="windows"),
        pytest.param(
            SOUND.replace("instrument,code,text", " instrument , code,text,label"), "more columns", id="more"
        ),
        pytest.param(SOUND + "\n,,\n", "empty rows", id="empty"),
    ],
)
def test_a_file_as_spreadsheets_save_it_is_read_alike(text: str, of: str) -> None:
    assert read(text.encode()) == read(SOUND.encode()), of


# What is wrong with one row, and the whole sentence that says so.
ROWS = {
    "kos,P1,Words": (
        "Row 2, column instrument has 'kos': no instrument has this code; "
        "give one of koos, koos12, ikdc, pedi_ikdc, lysholm, tegner, womet, marx, sane, pain_nrs, pain_vas, "
        "acl_rsi, eq5d5l."
    ),
    "marx,walking,Words": (
        "Row 2, column code has 'walking': Marx activity has no such item; "
        "give one of running, cutting, decelerating, pivoting."
    ),
    "lysholm,pain=30,Words": (
        "Row 2, column code has 'pain=30': pain has no such answer; give one of 25, 20, 15, 10, 5, 0."
    ),
    "sane,percent=101,Words": (
        "Row 2, column code has 'percent=101': percent has no such answer; give a whole number from 0 to 100."
    ),
    "koos,P1=,Words": "Row 2, column code has 'P1=': P1 has no such answer; give one of 0, 1, 2, 3, 4.",
    "koos,P1=00,Words": "Row 2, column code has 'P1=00': P1 has no such answer; give one of 0, 1, 2, 3, 4.",
    "koos,P1,": "Row 2, column text has nothing: the text is empty; fill it in or leave the row out.",
    "koos,P1,Words, more": (
        "Row 2, column text has 'Words, more': the row has too many columns; "
        "put a text with a comma in quotation marks."
    ),
}


@pytest.mark.parametrize("row", ROWS)
def test_a_row_is_refused_in_words(row: str) -> None:
    assert refused(f"instrument,code,text\n{row}\n") == [ROWS[row]]


def test_everything_wrong_is_said_at_once() -> None:
    file = 'instrument,code,text\nkoos,P1,"Two\nlines"\nkoos,P1,Again\nkoos,P99,\nkos,P1,Words\n'
    said = refused(file)
    assert [each.partition(":")[0] for each in said] == [
        "Row 2, column code has 'P1'",
        "Row 4, column code has 'P1'",
        "Row 5, column code has 'P99'",
        "Row 5, column text has nothing",
        "Row 6, column instrument has 'kos'",
    ]
    assert "another row has the same code; leave one of them out." in said[0]


@pytest.mark.parametrize(
    ("file", "words"),
    [
        (SOUND.encode("utf-16"), "it is not UTF-8; save the file as CSV in UTF-8"),
        ("instrument,code,text\nkoos,P1,Señal\n".encode("latin-1"), "Row 2, column unknown has 'byte f1'"),
        (
            b"instrument,code\nkoos,P1\n",
            "Row 1, column text has 'instrument, code': the column is there 0 times",
        ),
        (b"instrument,code,text,text\nkoos,P1,a,b\n", "the column is there 2 times, not once"),
        (b"instrument;code;text\nkoos;P1;a\n", "give the columns instrument, code, text"),
        (b"", "the column is there 0 times, not once"),
        (b"instrument,code,text\n", "the file has no texts; fill in at least one row"),
        (b'instrument,code,text\nkoos,P1,"open\n', "mend its quotation marks"),
    ],
)
def test_a_file_that_is_none_is_refused(file: bytes, words: str) -> None:
    assert words in refused(file)[0]


@pytest.mark.parametrize("code", INSTRUMENTS)
def test_the_example_filled_in_is_a_sound_file(code: str) -> None:
    instrument = INSTRUMENTS[code]
    filled = io.StringIO()
    writer = csv.DictWriter(filled, ("instrument", "code", "text", "label"))
    writer.writeheader()
    writer.writerows({**row, "text": "Invented"} for row in csv.DictReader(io.StringIO(example(instrument))))
    answers = sum(len(item.allowed) for item in instrument.items if item.is_choice)
    assert len(read(filled.getvalue().encode())) == 1 + len(instrument.items) + answers


@pytest.mark.django_db
def test_texts_are_kept_by_language_and_replaced() -> None:
    texts = read(SOUND.encode())
    assert load(texts, "en") == Loaded(3, 0, 0)
    assert load(texts, "en") == Loaded(0, 0, 3)
    changed = [Text(2, "koos", "P1", "Invented anew"), Text(3, "koos", "P2", "Invented second")]
    assert load(changed, "en") == Loaded(1, 1, 0)
    assert wording("koos", "en") == {
        "": "Invented heading",
        "P1": "Invented anew",
        "P1=0": "Invented nought",
        "P2": "Invented second",
    }
    assert wording("koos", "es") == wording("koos12", "en") == {}
