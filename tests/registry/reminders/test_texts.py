"""The letters: what each has to say, what none may say, and texts of a site's own."""

import re
from datetime import date
from itertools import product
from pathlib import Path
from typing import Any

import pytest

from registry.reminders import texts
from registry.vocabulary import Language, MessageKind

LINK = "https://rimward.example.org/r/token/"
EVERY = list(product(MessageKind, Language))
# What each letter says besides its link, by language: until when, not monitored, emergency, how to stop.
SAID = {
    "en": ("25 January 2027", "not monitored", "emergency services", "tell your clinic"),
    "es": ("25 de enero de 2027", "Nadie vigila", "servicios de emergencia", "dígaselo a su clínica"),
}
# Letters lie about in inboxes: neither part of the body, nor side, nor what was done.
UNSAID = r"knee|rodilla|left|right|izquierd|derech|menisc|repair|operat|operaci|surg|cirug|score"


def a_letter(kind: MessageKind, language: str) -> texts.Letter:
    return texts.letter(kind, language, link=LINK, until=date(2027, 1, 25), unit="Northmere Hospital")


@pytest.fixture
def own_texts(settings: Any, tmp_path: Path) -> Path:
    settings.REMINDER_TEMPLATES_DIR = tmp_path
    return tmp_path


@pytest.mark.parametrize(("kind", "language"), EVERY)
def test_each_letter_says_what_it_must_and_nothing_clinical(kind: MessageKind, language: str) -> None:
    letter = a_letter(kind, language)
    assert letter.body.count(LINK) == 1
    assert "Northmere Hospital" in letter.subject
    assert "\n" not in letter.subject
    for words in SAID[language]:
        assert words in letter.body
    assert not re.search(UNSAID, letter.subject + letter.body, re.IGNORECASE)


def test_no_two_letters_are_the_same() -> None:
    assert len({a_letter(*which) for which in EVERY}) == len(EVERY)


def test_a_text_of_the_sites_own_goes_before_the_shipped_one(own_texts: Path) -> None:
    (own_texts / "reminder.en.txt").write_text("Hello {{again}}\n\n{link} until {until}\n")
    letter = a_letter(MessageKind.REMINDER, "en")
    assert letter == texts.Letter("Hello {again}", f"{LINK} until 25 January 2027\n")
    assert LINK in a_letter(MessageKind.REMINDER, "es").body
    assert list(texts.problems()) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Hello\n\nuntil {until}", "lacks {link} below its first line"),
        ("Hello {link}\n\nuntil {until}", "lacks {link} below its first line"),
        ("Hello\n\n{link}", "lacks {until}"),
        ("", "lacks {link}, {until}"),
        ("Hello\n\n{link} {until} {name}", "has {name}, which nothing fills in"),
        ("Hello\n\n{link} {until} {}", "has {}, which nothing fills in"),
        ("Hello\n\n{link.x} {until}", "has {link.x}, which nothing fills in"),
        ("Hello\n\n{link} {until} }", "a brace without its other"),
    ],
)
def test_a_text_that_cannot_be_used_is_told_by_file_and_fault(own_texts: Path, text: str, said: str) -> None:
    path = own_texts / "invitation.es.txt"
    path.write_text(text)
    (problem,) = texts.problems()
    assert str(path) in problem
    assert said in problem
    with pytest.raises(texts.UnusableText):
        a_letter(MessageKind.INVITATION, "es")


def test_a_text_that_is_no_text_is_told(own_texts: Path) -> None:
    (own_texts / "invitation.en.txt").write_bytes(b"\xff\xfe{link}")
    (problem,) = texts.problems()
    assert "cannot be read" in problem
