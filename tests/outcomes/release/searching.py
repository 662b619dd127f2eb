"""Every byte of a package searched for what was planted: plain, backwards, encoded and compressed."""

import base64
import binascii
import calendar
import gzip
import io
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import date, datetime

import pyarrow.parquet as pq

from tests.outcomes.release.planting import STEM, Planted

_MONTHS = [name.lower() for name in calendar.month_abbr]
_KEY = re.compile(rb"[0-9a-f]{8}-?(?:[0-9a-f]{4}-?){3}[0-9a-f]{12}")
_STEM = re.compile(STEM.encode() + rb"(?:\d{3})?")
_YEAR_FIRST = re.compile(rb"(\d{4})([-/._])(\d{1,2})\2(\d{1,2})(?!\d)")
_YEAR_LAST = re.compile(rb"(?<!\d)(\d{1,2})([-/._])(\d{1,2})\2(\d{4})")
# Digits of a fraction are no date.
_EIGHT = re.compile(rb"(?<![\d.])(\d{4})(\d{2})(\d{2})(?!\d)")
_IN_WORDS = re.compile(rb"(?<!\d)(\d{1,2})\.? ([a-z]{3})[a-z]*\.?,? (\d{4})")
_AMERICAN = re.compile(rb"([a-z]{3})[a-z]*\.? (\d{1,2}),? (\d{4})")
# What a text looks like once it is written in base 64, base 32 or hexadecimal.
_WORD = re.compile(rb"[A-Za-z0-9+/_-]{8,}")


def leaks(package: bytes, planted: Planted) -> set[str]:
    """What of the record stands anywhere in a package: names of fields, dates and keys."""
    found: set[str] = set()
    for view in views([*blobs(package)]):
        found |= _found(view, planted)
    return found


def blobs(package: bytes) -> Iterator[bytes]:
    """The package itself, its names and comments, each member, and each Parquet file decoded."""
    yield package
    with zipfile.ZipFile(io.BytesIO(package)) as archive:
        about = [(each.filename.encode(), each.comment, each.extra) for each in archive.infolist()]
        yield b"\n".join([archive.comment, *(part for parts in about for part in parts)])
        for name in archive.namelist():
            content = archive.read(name)
            yield content
            if name.endswith(".parquet"):
                yield decoded_parquet(content)
            if zipfile.is_zipfile(io.BytesIO(content)):
                yield from blobs(content)


def decoded_parquet(content: bytes) -> bytes:
    """Every value of a Parquet file as text, with its schema and metadata."""
    table = pq.read_table(io.BytesIO(content))
    said = [repr(table.schema), repr(pq.read_metadata(io.BytesIO(content)).metadata)]
    return "\n".join([*said, table.to_pandas().to_csv(index=False)]).encode()


def views(parts: list[bytes]) -> Iterator[bytes]:
    """The bytes as they stand and as they could be meant, each forwards and backwards."""
    words = {word for part in parts for way in (part, part[::-1]) for word in _WORD.findall(way)}
    meant = b"\n".join(plain for word in words for plain in _decoded(word))
    unpacked = [plain for part in parts for plain in _unpacked(part)]
    for view in (*parts, *unpacked, meant):
        yield view.lower()
        yield view[::-1].lower()


def _decoded(word: bytes) -> Iterator[bytes]:
    """A word read as base 64, base 32 and hexadecimal, from each place at which it could begin."""
    for group, is_written, read, wrong_ends in _READERS:
        if not is_written.fullmatch(word):
            continue
        for start in range(group):
            whole = word[start:]
            # Without its last letter, where that makes no whole byte.
            whole = whole[: len(whole) - (len(whole) % group in wrong_ends)]
            with suppress(binascii.Error):
                yield read(whole + b"=" * (-len(whole) % group))


def _base64(text: bytes) -> bytes:
    return base64.b64decode(text.replace(b"-", b"+").replace(b"_", b"/"))


def _base32(text: bytes) -> bytes:
    return base64.b32decode(text, casefold=True)


# Letters of a group, what a word of them looks like, how it is read, and ends that are no whole byte.
_READERS: tuple[tuple[int, re.Pattern[bytes], Callable[[bytes], bytes], tuple[int, ...]], ...] = (
    (4, _WORD, _base64, (1,)),
    (8, re.compile(rb"[A-Za-z2-7]+"), _base32, (1, 3, 6)),
    (2, re.compile(rb"[0-9A-Fa-f]+"), binascii.unhexlify, (1,)),
)


def _unpacked(blob: bytes) -> Iterator[bytes]:
    """Whatever is compressed with gzip or zlib within."""
    for magic, bits in ((b"\x1f\x8b\x08", 31), (b"\x78\x9c", 15), (b"\x78\xda", 15)):
        start = blob.find(magic)
        while start >= 0:
            with suppress(zlib.error):
                yield zlib.decompressobj(bits).decompress(blob[start:])
            start = blob.find(magic, start + 1)


def _found(view: bytes, planted: Planted) -> set[str]:
    texts = {planted.fields.get(text.decode(), text.decode()) for text in _STEM.findall(view)}
    keys = {str(_with_hyphens(key)) for key in _KEY.findall(view)} & planted.keys
    return texts | keys | {str(day) for day in dates_in(view) if day in planted.dates}


def _with_hyphens(key: bytes) -> str:
    bare = key.replace(b"-", b"").decode()
    return "-".join((bare[:8], bare[8:12], bare[12:16], bare[16:20], bare[20:]))


def dates_in(view: bytes) -> set[date]:
    """Every day that the lower-case bytes can be read to name."""
    found: set[date | None] = set()
    for year, _, month, day in _YEAR_FIRST.findall(view):
        found |= {_date(year, month, day), _date(year, day, month)}
    for first, _, second, year in _YEAR_LAST.findall(view):
        found |= {_date(year, first, second), _date(year, second, first)}
    found |= {_date(*parts) for parts in _EIGHT.findall(view)}
    found |= {_date(year, _month(word), day) for day, word, year in _IN_WORDS.findall(view)}
    found |= {_date(year, _month(word), day) for word, day, year in _AMERICAN.findall(view)}
    return {day for day in found if day}


def _month(word: bytes) -> int:
    name = word.decode()
    return _MONTHS.index(name) if name in _MONTHS else 0


def _date(year: bytes | int, month: bytes | int, day: bytes | int) -> date | None:
    with suppress(ValueError):
        return date(int(year), int(month), int(day))
    return None


def disguises(text: str) -> dict[str, bytes]:
    """A text in every form in which the search must find it, by name."""
    raw = text.encode()
    return {
        "plain": raw,
        "capitals": raw.upper(),
        "backwards": raw[::-1],
        "hexadecimal": raw.hex().encode(),
        "hexadecimal backwards": raw.hex().encode()[::-1],
        "base 64": base64.b64encode(raw),
        "base 64 of one shifted": base64.b64encode(b"x" + raw),
        "base 64 of two shifted": base64.b64encode(b"xy" + raw + b"z"),
        "base 64 for addresses": base64.urlsafe_b64encode(b"??>" + raw),
        "base 64 backwards": base64.b64encode(raw)[::-1],
        "base 64 of it backwards": base64.b64encode(raw[::-1]),
        "base 32": base64.b32encode(raw).rstrip(b"=").lower(),
        "gzip": gzip.compress(raw * 3),
        "zlib": zlib.compress(raw * 3),
    }


def written(day: date) -> dict[str, str]:
    """A day in the ways people write it."""
    forms = ("%Y-%m-%d", "%d-%m-%Y", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%d %b %Y", "%d %B %Y")
    more = ("%Y%m%d", "%b %d, %Y", "%Y-%m-%dT00:00:00")
    return {form: datetime(day.year, day.month, day.day).strftime(form) for form in (*forms, *more)}
