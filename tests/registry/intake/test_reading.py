"""Files of every kind: read to the values a person sees, or refused with what to do instead."""

import struct
import zipfile
from io import BytesIO

import pytest

from registry.intake.file import limits
from registry.intake.file.reading import LIMIT_BYTES
from tests.registry.intake.sheets_made import changed, only, refusal, repacked, text, with_cells, workbook

pytestmark = pytest.mark.any_engine

ROWS = [["Nr", "Seite", "Größe"], ["0012", "re", "3,5"], ["0013", "li", "4,0"]]


# Text of separated cells


@pytest.mark.parametrize(
    ("encoding", "said"),
    [
        ("utf-8", "Read as UTF-8."),
        ("utf-8-sig", "Read as UTF-8, as its first bytes say."),
        ("utf-16", "Read as UTF-16, as its first bytes say."),
        ("utf-32", "Read as UTF-32, as its first bytes say."),
        ("cp1252", "Read as Windows-1252, which was guessed. Check these letters where they stand: ß ö"),
        ("mac_roman", "Read as Mac OS Roman, which was guessed. Check these letters where they stand: ß ö"),
    ],
)
def test_the_encoding_is_found_and_told(encoding: str, said: str) -> None:
    sheet = only(text(ROWS, ";", encoding))

    assert sheet.rows == tuple(map(tuple, ROWS))
    assert sheet.notes[0] == said


@pytest.mark.parametrize("encoding", ["cp1252", "mac_roman"])
@pytest.mark.parametrize(
    "words",
    [
        "Müller;Jäger;König;Weiß;ÄRZTE;Übung",
        "José;María;Muñoz;Núñez;Ángel;¿Cuándo?",
        "André;Noël;Françoise;Hélène;été;Benoît",
        "Sørensen;Åse;Håkon;Jørgen;Lærke",
        "João;Conceição;Simões;não",
    ],
)
def test_western_languages_are_told_apart_by_the_words_they_make(encoding: str, words: str) -> None:
    assert only(f"a;b;c;d;e;f\n{words}".encode(encoding)).rows[1][: words.count(";") + 1] == tuple(
        words.split(";")
    )


def test_a_dash_and_a_degree_of_windows_are_no_letters_of_another_system() -> None:
    assert only("flexion;period\n90° – 120°;2019\n".encode("cp1252")).rows[1][0] == "90° – 120°"  # noqa: RUF001


def test_bytes_that_make_no_words_in_any_encoding_are_refused_not_guessed() -> None:
    greek = "Νίκος;Ελένη;Γιώργος".encode("cp1253")

    assert refusal(b"a;b;c\n" + greek) == (
        '"list.csv" cannot be read. Its letters beyond ASCII make words neither in UTF-8 nor in Windows-1252 '
        'nor in Mac OS Roman. Open it in a spreadsheet and save it as "CSV UTF-8" or as .xlsx.'
    )


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"a,b\n1,\x002\n", "It holds zero bytes"),
        ("a,b\n1,\0\n".encode("utf-16"), "It holds zero characters"),
        ("a,b\n".encode("utf-16-le"), "It holds zero bytes"),
        (b"\xff\xfea\x00,\x00b", "Its first bytes say UTF-16, but byte"),
        (b"", "It is empty."),
        (b" \r\n ", "It is empty."),
        (b",,\n,,\n", "It holds no value at all."),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "It is a workbook of the old .xls kind"),
        (
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + "EncryptedPackage".encode("utf-16-le"),
            "It is protected by a password. Remove the password",
        ),
        (b"<html><table><tr><td>1</td></tr></table>", "It is a web page"),
        (b'\xef\xbb\xbf\n<?xml version="1.0"?><Workbook/>', "It is a web page or another file of marked-up"),
        (b"%PDF-1.7", "It is a PDF"),
        (b"\x1f\x8b\x08", "It is a packed file. Unpack it first."),
    ],
)
def test_what_is_no_text_is_refused_with_its_reason_and_mend(content: bytes, why: str) -> None:
    said = refusal(content)

    assert said.startswith(f'"list.csv" cannot be read. {why}')
    assert any(mend in said for mend in ("save it as .xlsx", "Save it as .xlsx", "UTF-8", "Choose the file"))


@pytest.mark.parametrize("separator", [";", ",", "\t", "|"])
def test_each_separator_is_found(separator: str) -> None:
    rows = [["Nr", "Side", "Note"], ["1", "R", "locked"], ["2", "L", None]]

    assert only(text(rows, separator)).rows == tuple(map(tuple, rows))


@pytest.mark.parametrize(
    ("table", "second"),
    [
        ("Nr;Size\n1;3,5\n2;4,0\n", ("1", "3,5")),
        ("a;b;c\n1,5;2,5;3,5\n4,5;5,5;6,5\n", ("1,5", "2,5", "3,5")),
        ("Nr,Note\n1,all-inside; outside-in\n2,inside-out; all-inside\n", ("1", "all-inside; outside-in")),
        ("1,2,3\n4,5,6\n", ("4", "5", "6")),
        ('Nr,Note\n1,"a;b;c;d"\n2,"e;f;g;h"\n', ("1", "a;b;c;d")),
        ("List of repairs, 2019\nNr;Side;Size\n1;R;3\n", ("Nr", "Side", "Size")),
        ("Nr;Side;Size;Note;More\n1;R\n2;L;3\n3;R;;x\n4;L;5;y;z\n", ("1", "R", None, None, None)),
        ("sep=|\nNr|Side\n1,5;3|R\n", ("1,5;3", "R")),
        ('"sep=;"\r\nNr;Side\r\n1;R\r\n', ("1", "R")),
    ],
)
def test_the_separator_is_what_makes_steady_cells(table: str, second: tuple[str | None, ...]) -> None:
    assert only(table.encode()).rows[1] == second


def test_a_line_in_a_quoted_cell_is_part_of_it_and_rows_count_as_in_a_spreadsheet() -> None:
    sheet = only(b'Nr,Note,Side\r\n1,"first\r\nsecond, ""quoted""",R\r\n\r\n2,,L\r\n')

    assert sheet.rows == (
        ("Nr", "Note", "Side"),
        ("1", 'first\nsecond, "quoted"', "R"),
        (None, None, None),
        ("2", None, "L"),
    )


def test_ragged_rows_are_padded_and_empty_ends_cut() -> None:
    sheet = only(b"a,b,,\n1\n1,2,3,,\n,,\n\n")

    assert sheet.rows == (("a", "b", None), ("1", None, None), ("1", "2", "3"))
    assert sheet.name == "list"
    assert sheet.width == 3


@pytest.mark.parametrize("table", [b'a,b\n1,2\n3,"open\n4,5\n', b'a,b\n1,2\n"ACL" repair,5\n'])
def test_quotes_that_do_not_close_a_cell_are_refused_with_their_row(table: bytes) -> None:
    assert "From row 3 on its cells cannot be told apart" in refusal(table)


def test_spaces_and_characters_that_nobody_sees_are_taken_out() -> None:
    assert only("a,b\n\u00a0 x \u200b,\u200b\n y\x07 ,z".encode()).rows[1:] == (("x", None), ("y", "z"))


def test_text_of_numbers_stays_text() -> None:
    assert only(b"Nr,Exp\n007,1.23E+05\n").rows[1] == ("007", "1.23E+05")


# Limits


def test_more_than_fifty_megabytes_are_refused() -> None:
    assert "It has 50.0 MB, and at most 50 MB are read." in refusal(b"a" * (LIMIT_BYTES + 1))


def test_too_many_rows_and_columns_are_refused_in_words() -> None:
    row = f'<row r="{limits.MOST_ROWS + 1}"><c r="A{limits.MOST_ROWS + 1}"><v>1</v></c></row>'

    assert "values below row 200,000" in refusal(b"1\n" * (limits.MOST_ROWS + 1))
    assert "Sheet List: It has values below row 200,000" in refusal(with_cells(row), "x.xlsx")
    assert "Row 2 has values beyond column 500" in refusal(b"a,b\n" + b"1," * 501)
    assert "Row 1 has values beyond column 500" in refusal(workbook({"List": [range(501)]}), "x.xlsx")


def test_a_sheet_that_claims_a_million_empty_rows_is_read_at_once() -> None:
    content = changed(
        workbook({"List": [["a"], ["b"]]}),
        "xl/worksheets/sheet1.xml",
        lambda xml: xml.replace('ref="A1:A2"', 'ref="A1:XFD1048576"').replace(
            "</sheetData>", '<row r="1048576" ht="20"><c r="XFD1048576" s="0"/></row></sheetData>'
        ),
    )

    assert only(content, "x.xlsx").rows == (("a",), ("b",))


def zip_bomb(size: int) -> bytes:
    return repacked(workbook({"List": [["a"]]}), lambda _, part: part, **{"xl/media/a.bin": b"\0" * size})


def test_a_zip_bomb_is_refused_by_what_it_declares() -> None:
    """40 MB of zeros pack to 40 kB: far beyond what any table shrinks."""
    assert "Unpacked it would take more than 300 MB" in refusal(zip_bomb(40 * limits.MEGABYTE), "x.xlsx")


def test_a_zip_bomb_that_lies_about_its_size_is_refused_while_it_is_unpacked() -> None:
    content = bytearray(zip_bomb(40 * limits.MEGABYTE))
    declared = struct.pack("<L", 40 * limits.MEGABYTE)
    assert content.count(declared) == 2  # local header and central directory
    lying = bytes(content).replace(declared, struct.pack("<L", 1000))

    assert "It is damaged." in refusal(lying, "x.xlsx")


def test_too_many_parts_and_encrypted_parts_are_refused() -> None:
    parts = {f"part{number}": b"" for number in range(limits.MOST_PARTS + 1)}
    file = workbook({"List": [["a"]]})
    encrypted = bytearray(file)
    encrypted[encrypted.index(b"PK\x01\x02") + 8] |= 1

    assert "Unpacked it would take" in refusal(repacked(file, lambda _, part: part, **parts), "x.xlsx")
    assert "protected by a password" in refusal(bytes(encrypted), "x.xlsx")


@pytest.mark.parametrize("way", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_what_is_packed_so_that_it_cannot_be_unpacked_in_pieces_is_refused(way: int) -> None:
    """1 MB of it could unpack to gigabytes at once."""
    file = BytesIO(workbook({"List": [["a"]]}))
    with zipfile.ZipFile(file, "a", way) as archive:
        archive.writestr("xl/media/a.bin", b"x")

    assert "It is packed in a way that no spreadsheet uses." in refusal(file.getvalue(), "x.xlsx")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_entities_that_grow_without_end_are_refused(encoding: str) -> None:
    laughs = '<!ENTITY a0 "ha">' + "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 12))
    bomb = f'<?xml version="1.0" encoding="{encoding}"?>{" " * 3000}<!DOCTYPE x [{laughs}]><x>&a11;</x>'
    content = repacked(
        workbook({"List": [["a"]]}),
        lambda name, part: bomb.encode(encoding) if name == "xl/worksheets/sheet1.xml" else part,
    )

    assert "Its part xl/worksheets/sheet1.xml declares a document type" in refusal(content, "x.xlsx")


@pytest.mark.parametrize(
    ("parts", "why"),
    [
        (
            {"mimetype": b"application/vnd.oasis.opendocument.spreadsheet"},
            "It is an OpenDocument file (.ods)",
        ),
        ({"Index/Document.iwa": b"x"}, "It is a .numbers document"),
        ({"xl/workbook.bin": b"x"}, "It is a binary workbook (.xlsb)"),
        ({"list.csv": b"x"}, "It is a zip file, but no workbook."),
        ({"xl/workbook.xml": b"<workbook/>"}, "It is damaged."),
        (
            {"xl/workbook.xml": b'<w xmlns="http://purl.oclc.org/ooxml/spreadsheetml/main"/>'},
            "Strict Open XML",
        ),
    ],
)
def test_other_kinds_of_packed_files_are_named(parts: dict[str, bytes], why: str) -> None:
    file = BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        for name, part in parts.items():
            archive.writestr(name, part)

    assert why in refusal(file.getvalue(), "x.xlsx")


def test_a_damaged_workbook_is_refused() -> None:
    content = workbook({"List": [["a"] * 30] * 30})
    assert "It is damaged." in refusal(content[: len(content) // 2], "x.xlsx")
    assert "It is damaged." in refusal(with_cells('<row r="1"><c r="A1" t="s"><v>99</v></c></row>'), "x.xlsx")
    assert "It is damaged." in refusal(with_cells('<row r="1"><c r="A1"><v>1</c></row>'), "x.xlsx")
