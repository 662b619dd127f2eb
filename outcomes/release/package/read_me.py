"""README.md of a package: what is in it, and on what terms."""

from outcomes.release.frozen import TABLES, Frozen
from outcomes.release.package.citation import title
from outcomes.release.package.words import NOT_A_DEVICE, NOT_PROMISED, ROWS_OF, TERMS, one_line
from outcomes.wording import counted

_FILES = {
    "datapackage.json": "the CSV files described for programs (Frictionless Data Package v1, Table Schema)",
    "codebook.html, codebook.csv": "every column: label, type, unit, codes, code for not recorded, source",
    "disclosure-report.html": "who was left out and why, how people are hidden, what that did to survival",
    "method.md": "how the data came about, and how survival was worked out",
    "reproduce.py, reproduce.R": "print the headline table of survival from repairs.csv alone",
    "counts.sql": "the counts that survival needs, of one Parquet file or many, for DuckDB and Spark",
    "reporting-items.md": "items of STROBE, RECORD and TRIPOD, filled where the registry knows",
    "CITATION.cff, data-set.bib": "how to cite this data set",
    "manifest.json": "counts, figures and the SHA-256 of each other file",
}


def read_me(frozen: Frozen) -> str:
    """The first thing to read, as Markdown."""
    asked = frozen.asked
    lines = [
        f"# {title(frozen)}",
        "",
        f"- Purpose: {one_line(asked.purpose)}",
        f"- Approval: {one_line(asked.approval)}",
        f"- Recipient: {one_line(asked.recipient)}",
        f"- Cohort: {one_line(frozen.cohort_sentence)}",
        f"- Record read: {frozen.month}, version {frozen.record_version}, {frozen.software}",
        "",
        f"**{NOT_PROMISED}**",
        "",
        NOT_A_DEVICE,
        "",
        *("## Terms", "", *(f"{number}. {term}" for number, term in enumerate(TERMS, 1)), ""),
        *("## What is in it", "", *_tables(frozen), *(f"- `{name}`: {what}" for name, what in _files()), ""),
        *("## Check", "", "`sha256sum` of each file must equal its line in `manifest.json`.", ""),
        *("## Reproduce", "", "    python reproduce.py", "    Rscript reproduce.R"),
    ]
    return "\n".join(lines) + "\n"


def _tables(frozen: Frozen) -> list[str]:
    formats = "`.csv`, `.parquet`, `.dta`" if frozen.asked.stata else "`.csv`, `.parquet`"
    return [
        f"- `{table}` ({formats}): {counted(len(frozen.tables[table]), 'row')}, {ROWS_OF[table]}"
        for table in TABLES
    ]


def _files() -> list[tuple[str, str]]:
    return [(name.replace(", ", "`, `"), what) for name, what in _FILES.items()]
