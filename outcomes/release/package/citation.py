"""How to cite the data set: CITATION.cff and an entry for BibTeX. Names no unit and no person."""

import json
from collections.abc import Mapping

from outcomes.release.frozen import REPAIRS, Frozen
from outcomes.release.package.archive import Sum
from outcomes.release.package.words import one_line
from outcomes.wording import counted

_CFF_VERSION = "1.2.0"
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_ESCAPED = {
    "\\": r"\textbackslash{}",
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
    **{sign: f"\\{sign}" for sign in "{}%&#_$"},
}


def title(frozen: Frozen) -> str:
    """The title of the data set."""
    return f"{one_line(frozen.asked.project)}: de-identified meniscal repairs"


def author(frozen: Frozen) -> str:
    """Who stands for it: the registry, its units counted."""
    return f"Registry of meniscal repair, {counted(len(frozen.asked.units), 'unit')}"


def note(frozen: Frozen) -> str:
    """What it holds, in a sentence."""
    rows = counted(len(frozen.tables[REPAIRS]), "repair")
    return (
        f"{rows}; cohort {one_line(frozen.asked.cohort_name)}, version {frozen.asked.cohort_version}; record "
        f"version {frozen.record_version}; {frozen.software}"
    )


def citation_file(frozen: Frozen, sums: Mapping[str, Sum]) -> str:
    """CITATION.cff (Citation File Format 1.2.0); values are JSON strings, which YAML reads as they stand."""
    table = sums[f"{REPAIRS}.csv"].sha256
    lines = [
        f"cff-version: {_CFF_VERSION}",
        f"message: {_quoted('Cite this data set so, and name the approval under which it was used.')}",
        "type: dataset",
        f"title: {_quoted(title(frozen))}",
        "authors:",
        f"  - name: {_quoted(author(frozen))}",
        f"version: {_quoted(frozen.month)}",
        f"abstract: {_quoted(f'{one_line(frozen.cohort_sentence)} {note(frozen)}.')}",
        "identifiers:",
        "  - type: other",
        f"    value: {_quoted(f'sha256:{table}')}",
        f"    description: {_quoted('SHA-256 of repairs.csv')}",
    ]
    return "\n".join(lines) + "\n"


def bibliography(frozen: Frozen, sums: Mapping[str, Sum]) -> str:
    """data-set.bib: one entry; its key is of the hash of the table, so that no two releases share it."""
    table = sums[f"{REPAIRS}.csv"].sha256
    year, month = frozen.month.split("-")
    told = f"{note(frozen)}. SHA-256 of repairs.csv: {table}"
    lines = [
        f"@misc{{meniscal-repairs-{table[:8]},",
        f"  title = {{{{{_escaped(title(frozen))}}}}},",
        f"  author = {{{{{_escaped(author(frozen))}}}}},",
        f"  year = {{{year}}},",
        f"  month = {_MONTHS[int(month) - 1]},",
        "  howpublished = {Data set, on request under a data use agreement},",
        f"  note = {{{_escaped(told)}}}",
        "}",
    ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _escaped(text: str) -> str:
    return "".join(_ESCAPED.get(sign, sign) for sign in text)
