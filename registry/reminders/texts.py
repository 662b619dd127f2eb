"""The words of the letters: text files, one a kind and language, that a site may replace with its own.

The first line is the subject, the rest the body. {link}, {until} and {unit} are filled in.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import product
from pathlib import Path
from string import Formatter

from django.conf import settings
from django.utils import translation
from django.utils.formats import date_format

from registry.vocabulary import Language, MessageKind

SHIPPED = settings.BASE_DIR / "templates" / "reminders"
NEEDED = ("link", "until")
KNOWN = (*NEEDED, "unit")
# A day written out, as Django's date formats put it.
_DAY = {Language.ENGLISH: "j F Y", Language.SPANISH: r"j \d\e F \d\e Y"}


class UnusableText(ValueError):  # noqa: N818 - it reads as what it says
    """A text that no letter can be made of; says which file, what is wrong and how to mend it."""


@dataclass(frozen=True, slots=True)
class Letter:
    subject: str
    body: str


def letter(kind: MessageKind, language: str, *, link: str, until: date, unit: str) -> Letter:
    """The letter, filled in. `until` is the last day on which the link holds, `unit` the clinic's name."""
    with translation.override(language):
        day = date_format(until, _DAY[Language(language)])
    subject, body = _parts(_path(kind, language))
    values = {"link": link, "until": day, "unit": unit}
    return Letter(" ".join(subject.format_map(values).split()), body.format_map(values))


def problems() -> Iterator[str]:
    """What is wrong with the texts in use, one sentence each."""
    for kind, language in product(MessageKind, Language):
        try:
            _parts(_path(kind, language))
        except UnusableText as problem:
            yield str(problem)


def _path(kind: str, language: str) -> Path:
    name = f"{kind}.{language}.txt"
    own = settings.REMINDER_TEMPLATES_DIR and settings.REMINDER_TEMPLATES_DIR / name
    return own if own and own.exists() else SHIPPED / name


def _parts(path: Path) -> tuple[str, str]:
    """Subject and body of a text that can be filled in."""
    try:
        subject, _, body = path.read_text("utf-8").strip().partition("\n")
    except (OSError, UnicodeDecodeError) as error:
        raise UnusableText(f"{path} cannot be read ({error}). Give a text file in UTF-8.") from error
    places = _places(path, subject + body)
    if unknown := places - set(KNOWN):
        raise UnusableText(
            f"{path} has {{{min(unknown)}}}, which nothing fills in. "
            f"Use {_listed(KNOWN)}; write a plain brace twice."
        )
    if missing := [name for name in NEEDED if name not in _places(path, body)]:
        raise UnusableText(f"{path} lacks {_listed(missing)} below its first line. Put it where it belongs.")
    return subject, body.strip() + "\n"


def _places(path: Path, text: str) -> set[str]:
    try:
        return {name for _, name, _, _ in Formatter().parse(text) if name is not None}
    except ValueError as error:
        raise UnusableText(
            f"{path} has a brace without its other ({error}). Write a plain one twice."
        ) from error


def _listed(names: tuple[str, ...] | list[str]) -> str:
    return ", ".join(f"{{{name}}}" for name in names)
