"""Wording of instruments: load a site's own licensed texts, list what is loaded, print a file to fill in."""

import json
from argparse import ArgumentParser
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, ClassVar

from django.core.management.base import CommandError
from django.db.models import Count, Max

from registry.management.example import CommandWithExample
from registry.models import Wording
from registry.scoring import INSTRUMENTS
from registry.vocabulary import Language
from registry.wordings import BadFile, Text, example, load, read

REFUSED = 2


class Command(CommandWithExample):
    help = "Load the wording of instruments from a file of the site's own; none is shipped."
    exit_codes: ClassVar[Mapping[int, str]] = {
        0: "done",
        REFUSED: "the file was refused and nothing was changed",
    }
    example = """\
wording example koos > koos.csv      (fill in the column 'text')
         manage.py wording load koos.csv --language en
         manage.py wording list"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        does = parser.add_subparsers(dest="does", required=True, metavar="load|list|example")
        loads = does.add_parser("load", help="load a CSV file with the columns instrument, code, text")
        loads.add_argument("file", type=Path, metavar="FILE", help="CSV in UTF-8, header in row 1")
        loads.add_argument("--language", required=True, choices=Language.values, help="of every text in it")
        does.add_parser("list", help="say what is loaded")
        shows = does.add_parser("example", help="print a file with every code, to be filled in")
        shows.add_argument(
            "instrument", choices=INSTRUMENTS, metavar="INSTRUMENT", help=", ".join(INSTRUMENTS)
        )
        for each in (loads, does.choices["list"]):
            each.add_argument("--json", action="store_true", help="print it as JSON, refusals too")

    def handle(self, **options: Any) -> None:
        match options["does"]:
            case "load":
                self._load(options["file"], options["language"], options["json"])
            case "list":
                self._list(options["json"])
            case _:
                self.stdout.write(example(INSTRUMENTS[options["instrument"]]), ending="")

    def _load(self, file: Path, language: str, as_json: bool) -> None:
        texts = _read(file, as_json)
        loaded = load(texts, language)
        notes = _licences(texts)
        if as_json:
            self.stdout.write(json.dumps({**asdict(loaded), "language": language, "licences": notes}))
            return
        self.stdout.write(
            f"{Language(language).label}: {loaded.added} texts added, {loaded.changed} changed, "
            f"{loaded.unchanged} as before."
        )
        for name, note in notes.items():
            self.stdout.write(f"{name}: {note}")

    def _list(self, as_json: bool) -> None:
        found = _loaded()
        if as_json:
            self.stdout.write(json.dumps(found, default=str))
        elif not found:
            self.stdout.write("No wording is loaded. Start with: manage.py wording example koos > koos.csv")
        else:
            for each in found:
                self.stdout.write(
                    f"{each['instrument']}, {each['language']}: {each['items']} of {each['of']} items, "
                    f"{each['texts']} texts, last loaded {each['loaded_at']:%Y-%m-%d}"
                )


def _read(file: Path, as_json: bool) -> list[Text]:
    try:
        return read(file.read_bytes())
    except OSError as error:
        words = f"{file} cannot be read ({error.strerror}). Give a CSV file."
        said = json.dumps({"refused": words}) if as_json else f"wording: nothing was loaded. {words}"
        raise CommandError(said, returncode=REFUSED) from error
    except BadFile as bad:
        lines = "\n".join(map(str, bad.refusals))
        said = (
            json.dumps({"refused": [asdict(each) for each in bad.refusals]})
            if as_json
            else f"wording: nothing was loaded from {file}, {len(bad.refusals)} to mend.\n{lines}"
        )
        raise CommandError(said, returncode=REFUSED) from bad


def _licences(texts: Iterable[Text]) -> dict[str, str]:
    """The licence note of every instrument in the file, by its name."""
    found = [INSTRUMENTS[code] for code in dict.fromkeys(text.instrument for text in texts)]
    return {instrument.name: instrument.licence for instrument in found}


def _loaded() -> list[dict[str, Any]]:
    """A row for each instrument and language: how many items have a text, how many texts, since when."""
    rows = list(
        Wording.objects.values("instrument", "language").annotate(
            texts=Count("pk"), loaded_at=Max("loaded_at")
        )
    )
    codes = set(Wording.objects.values_list("instrument", "language", "code"))
    found = []
    for row in sorted(rows, key=lambda row: (list(INSTRUMENTS).index(row["instrument"]), row["language"])):
        items = INSTRUMENTS[row["instrument"]].items
        told = sum((row["instrument"], row["language"], item.code) in codes for item in items)
        found.append({**row, "items": told, "of": len(items)})
    return found
