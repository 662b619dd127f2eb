"""What patients read, in every language: nothing left untranslated, and the compiled file up to date."""

import ast
import gettext
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.conf import settings
from django.utils.translation.template import templatize

from registry.vocabulary import Language

LOCALE = Path(settings.LOCALE_PATHS[0])
TEMPLATES = sorted((settings.BASE_DIR / "templates").rglob("*.html"))
PLACEHOLDER = re.compile(r"%\(\w+\)s")
# What Django's own tool makes of a template: calls of gettext with one text, or ngettext with two.
CALL = re.compile(r"""\b(_|gettext|ngettext)\((u?(?:'(?:\\.|[^'])*'|"(?:\\.|[^"])*"))""")
TRANSLATED = [code for code in Language.values if code != Language.ENGLISH]


def texts_of_the_frame() -> set[str]:
    return {
        ast.literal_eval(text.lstrip("u"))
        for template in TEMPLATES
        for _, text in CALL.findall(templatize(template.read_text(), origin=template.name))
    }


def written(language: str) -> dict[str, list[str]]:
    """The .po file: translations (one, or one for each number) by text; "" is its head."""
    texts: dict[str, list[str]] = {}
    for entry in (LOCALE / language / "LC_MESSAGES" / "django.po").read_text().split("\n\n"):
        lines = dict(lines_of(entry))
        texts[lines["msgid"]] = [text for name, text in lines.items() if name.startswith("msgstr")]
    return texts


def lines_of(entry: str) -> Iterator[tuple[str, str]]:
    for name, quoted in re.findall(r'^(msg[\w\[\]]+) ((?:"(?:\\.|[^"])*"\n?)+)', entry, re.MULTILINE):
        yield name, "".join(ast.literal_eval(line) for line in quoted.split("\n") if line)


def test_the_frame_has_texts() -> None:
    found = texts_of_the_frame()
    assert len(found) > 50
    assert {
        "Year of birth",
        "Screen %(place)s of %(places)s",
        "%(n)s question is not answered. Go on anyway?",
    } <= found


@pytest.mark.parametrize("language", TRANSLATED)
def test_every_text_is_translated_and_no_other(language: str) -> None:
    texts = written(language)
    assert texts.keys() - {""} == texts_of_the_frame()
    assert all(all(translations) for translations in texts.values())


@pytest.mark.parametrize("language", TRANSLATED)
def test_placeholders_are_the_same(language: str) -> None:
    for text, translations in written(language).items():
        for each in translations:
            assert set(PLACEHOLDER.findall(each)) == set(PLACEHOLDER.findall(text)), text


@pytest.mark.parametrize("language", TRANSLATED)
def test_the_compiled_file_says_what_the_written_one_says(language: str) -> None:
    with (LOCALE / language / "LC_MESSAGES" / "django.mo").open("rb") as file:
        compiled = gettext.GNUTranslations(file)._catalog  # type: ignore[attr-defined]
    by_text: dict[str, list[str]] = {}
    for text, translation in compiled.items():
        by_text.setdefault(text if isinstance(text, str) else text[0], []).append(translation)
    assert by_text == written(language)
