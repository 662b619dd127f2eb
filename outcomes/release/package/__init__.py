"""The package: one zip of tables, codebook, reports and programs, byte for byte the same when made again."""

from collections.abc import Callable, Mapping
from pathlib import Path

from outcomes.release.frozen import TABLES, Frozen
from outcomes.release.package.archive import Archive, Sum, sum_of
from outcomes.release.package.citation import bibliography, citation_file
from outcomes.release.package.codebook import codebook_csv, codebook_html
from outcomes.release.package.data_package import data_package
from outcomes.release.package.manifest import FORMAT_VERSION, manifest
from outcomes.release.package.method import method
from outcomes.release.package.read_me import read_me
from outcomes.release.package.report import disclosure_report
from outcomes.release.package.reporting import reporting_items
from outcomes.release.package.tables import UnknownColumnError, add_table
from outcomes.release.package.words import NOT_PROMISED
from registry.telling import Tell

__all__ = ["FORMAT_VERSION", "MANIFEST", "NOT_PROMISED", "UnknownColumnError", "build", "program"]

Writer = Callable[[Frozen, Mapping[str, Sum]], str]

MANIFEST = "manifest.json"
_PACKING = "Packing"
_PROGRAMS = Path(__file__).parent / "reproduce"


def _alone(write: Callable[[Frozen], str]) -> Writer:
    """A writer that needs no hash of what stands already."""
    return lambda frozen, sums: write(frozen)


def program(name: str) -> str:
    """The text of a program as it lies in every package."""
    return (_PROGRAMS / name).read_text(encoding="utf-8")


def _program(name: str) -> Writer:
    return lambda frozen, sums: program(name)


# After the tables, in this order; the manifest has the hash of all before it, so it is the last.
_TEXTS: dict[str, Writer] = {
    "datapackage.json": data_package,
    "codebook.csv": _alone(codebook_csv),
    "codebook.html": _alone(codebook_html),
    "disclosure-report.html": _alone(disclosure_report),
    "method.md": _alone(method),
    "reporting-items.md": _alone(reporting_items),
    "reproduce.py": _program("reproduce.py"),
    "reproduce.R": _program("reproduce.R"),
    "counts.sql": _program("counts.sql"),
    "CITATION.cff": citation_file,
    "data-set.bib": bibliography,
    "README.md": _alone(read_me),
    MANIFEST: manifest,
}


def build(frozen: Frozen, path: Path, tell: Tell) -> str:
    """Write the package of a release to a file, and give its SHA-256 in hexadecimal.

    The same `frozen` gives the same bytes with the same versions of this software and its libraries. `tell`
    hears how many parts are done; what it raises stops the packing. No file is left behind by an error.

    Raises
    ------
    UnknownColumnError
        If a table has other columns than the codebook.
    """
    total = len(TABLES) + len(_TEXTS)
    with Archive(path) as archive:
        for done, table in enumerate(TABLES):
            tell(f"{_PACKING} {table}", done, total)
            add_table(archive, table, frozen.tables[table], stata=frozen.asked.stata)
        for done, (name, write) in enumerate(_TEXTS.items(), len(TABLES)):
            tell(f"{_PACKING} {name}", done, total)
            archive.add(name, write(frozen, archive.sums))
    tell(_PACKING, total, total)
    return sum_of(path).sha256
