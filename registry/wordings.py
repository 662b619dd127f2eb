"""The wording of instruments, which a site loads from its own file under its own licence; none is shipped.

A file is CSV in UTF-8 with the columns instrument, code and text. `code` is an item's, "" the heading of the
instrument, "CODE=VALUE" one answer of an item. Rows are numbered as a spreadsheet shows a file without line
breaks in its cells: the header is row 1.
"""

import csv
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import StringIO

from django.utils import timezone

from registry.models import Wording
from registry.scoring import INSTRUMENTS, Instrument, Item

COLUMNS = ("instrument", "code", "text")
LONGEST_SHOWN = 40


@dataclass(frozen=True, slots=True)
class Text:
    """One text of a file, with the row that it stands in and what stands there beyond the last column."""

    row: int
    instrument: str
    code: str
    text: str
    beyond: str = ""


@dataclass(frozen=True, slots=True)
class Refusal:
    """What is wrong with one cell: where, what stands there, which rule it breaks, how to mend it."""

    row: int
    column: str
    value: str
    rule: str
    mend: str

    def __str__(self) -> str:
        value = f"'{_short(self.value)}'" if self.value else "nothing"
        return f"Row {self.row}, column {self.column} has {value}: {self.rule}; {self.mend}."


class BadFile(ValueError):  # noqa: N818 - a state of affairs, not a mistake
    """A file that is not taken, with everything that is wrong with it."""

    def __init__(self, refusals: Sequence[Refusal]) -> None:
        super().__init__("\n".join(map(str, refusals)))
        self.refusals = tuple(refusals)


@dataclass(frozen=True, slots=True)
class Loaded:
    """How many texts were new, read differently before, and were on record just like this."""

    added: int
    changed: int
    unchanged: int


def wording(instrument: str, language: str) -> Mapping[str, str]:
    """The loaded texts of an instrument by code; empty where the site loaded none."""
    rows = Wording.objects.filter(instrument=instrument, language=language)
    return dict(rows.values_list("code", "text"))


def read(data: bytes) -> list[Text]:
    """Every text of a file.

    Raises
    ------
    BadFile
        Everything that is wrong with the file, not only the first.
    """
    texts = list(_texts(_decoded(data)))
    if not texts:
        raise BadFile([Refusal(2, "text", "", "the file has no texts", "fill in at least one row")])
    times = Counter((text.instrument, text.code) for text in texts)
    refusals = [refusal for text in texts for refusal in _refusals(text, times)]
    if refusals:
        raise BadFile(refusals)
    return texts


def load(texts: Sequence[Text], language: str) -> Loaded:
    """Put the texts on record in one statement, each in place of the one of its code."""
    codes = {text.instrument for text in texts}
    before = {(code, key): text for code in codes for key, text in wording(code, language).items()}
    stood = [before.get((each.instrument, each.code)) for each in texts]
    now = timezone.now()
    changed = [
        Wording(instrument=each.instrument, language=language, code=each.code, text=each.text, loaded_at=now)
        for each, earlier in zip(texts, stood, strict=True)
        if earlier != each.text
    ]
    Wording.objects.bulk_create(
        changed,
        update_conflicts=True,
        unique_fields=["instrument", "language", "code"],
        update_fields=["text", "loaded_at"],
    )
    added = stood.count(None)
    return Loaded(added, len(changed) - added, len(texts) - len(changed))


def example(instrument: Instrument) -> str:
    """A file to fill in: a row for each text that the instrument can have, its items by our labels."""
    file = StringIO()
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow((*COLUMNS, "label"))
    writer.writerow((instrument.code, "", "", instrument.name))
    for item in instrument.items:
        writer.writerow((instrument.code, item.code, "", item.label))
        if item.is_choice:
            writer.writerows((instrument.code, f"{item.code}={value}", "", "") for value in item.allowed)
    return file.getvalue()


def _decoded(data: bytes) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        cell = data[error.start : error.start + 1].hex()
        raise BadFile(
            [Refusal(row, "unknown", f"byte {cell}", "it is not UTF-8", "save the file as CSV in UTF-8")]
        ) from None


def _texts(text: str) -> Iterator[Text]:
    """The rows of a file, stripped; empty rows are left out."""
    reader = csv.DictReader(StringIO(text, newline=""), strict=True)
    try:
        header = [(name or "").strip() for name in reader.fieldnames or ()]
        _refuse_columns(header)
        reader.fieldnames = header
        row = reader.line_num + 1
        for cells in reader:
            said = {name: (cells[name] or "").strip() for name in COLUMNS}
            if any(said.values()):
                yield Text(row, **said, beyond=",".join(cells.get(None, ())))
            row = reader.line_num + 1
    except csv.Error as error:
        raise BadFile(
            [Refusal(reader.line_num, "unknown", "", f"it is no CSV ({error})", "mend its quotation marks")]
        ) from None


def _refuse_columns(header: Sequence[str]) -> None:
    mend = f"give the columns {', '.join(COLUMNS)}"
    wrong = {name: header.count(name) for name in COLUMNS if header.count(name) != 1}
    if wrong:
        raise BadFile(
            [
                Refusal(1, name, ", ".join(header), f"the column is there {times} times, not once", mend)
                for name, times in wrong.items()
            ]
        )


def _refusals(text: Text, times: Mapping[tuple[str, str], int]) -> Iterator[Refusal]:
    instrument = INSTRUMENTS.get(text.instrument)
    if instrument is None:
        mend = f"give one of {', '.join(INSTRUMENTS)}"
        yield Refusal(text.row, "instrument", text.instrument, "no instrument has this code", mend)
    elif wrong := _wrong_code(instrument, text.code):
        yield Refusal(text.row, "code", text.code, *wrong)
    if not text.text:
        yield Refusal(text.row, "text", "", "the text is empty", "fill it in or leave the row out")
    if text.beyond:
        mend = "put a text with a comma in quotation marks"
        yield Refusal(text.row, "text", f"{text.text},{text.beyond}", "the row has too many columns", mend)
    if times[text.instrument, text.code] > 1:
        yield Refusal(text.row, "code", text.code, "another row has the same code", "leave one of them out")


def _wrong_code(instrument: Instrument, code: str) -> tuple[str, str] | None:
    """Rule and mend where the code is neither the heading, an item, nor an answer of one."""
    items = {item.code: item for item in instrument.items}
    of, is_answer, value = code.partition("=")
    if not code or code in items:
        return None
    if of not in items:
        return f"{instrument.name} has no such item", f"give one of {', '.join(items)}"
    if is_answer and value in map(str, items[of].allowed):
        return None
    return f"{of} has no such answer", _answers_of(items[of])


def _answers_of(item: Item) -> str:
    if item.is_choice:
        return f"give one of {', '.join(map(str, item.allowed))}"
    return f"give a whole number from {min(item.allowed)} to {max(item.allowed)}"


def _short(value: str) -> str:
    return value if len(value) <= LONGEST_SHOWN else f"{value[:LONGEST_SHOWN]}..."
