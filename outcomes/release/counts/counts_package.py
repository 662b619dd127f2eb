"""The packages of counts: a table with what explains it, or counts to be pooled; the same when made again."""

import csv
import io
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.template.loader import render_to_string

from outcomes import wording
from outcomes.release.asked import Asked
from outcomes.release.counts.pooled import PooledCounts
from outcomes.release.counts.suppression import HIDDEN, Suppressed
from outcomes.release.counts.tables import Split
from outcomes.release.package.archive import Archive, sum_of
from outcomes.release.package.words import NOT_A_DEVICE, TERMS, one_line
from outcomes.results import FEWEST_SHOWN

FORMAT_VERSION = 1
ALL, ALL_LABEL = "all", "All"
# The word for every hidden count alike: "under five" would tell which were hidden for their own sake.
HIDDEN_WORD = "hidden"
POOLED_FILE = "pooled-counts.json"
CSV_COLUMNS = ("row", "row_label", "column", "column_label", "n", "hidden", "percent_of_row")

METHOD = (
    "Counts of 1 to {below} are hidden, and counts of fewer than {limit} patients; 0 is shown. So many more "
    "are hidden that whoever knows every count shown, that rows and columns add up, and that a hidden count "
    "is at least 1, is left with two values or more for each hidden count. Percentages are of the row, "
    "worked out from shown counts alone, and not told of rows under {fewest}."
)
NOT_PROMISED = (
    "A hidden count can be narrowed down, though not to one value. Tables of other cohorts or days, compared "
    "with this one, can tell more; so can somebody who knows some of the patients.",
    "Few repairs mislead, and counts say nothing of how long each was followed: compare shares with care, "
    "and judge nobody by them.",
)
POOLED_NOT_PROMISED = (
    "Single counts by day are small: a curve in print tells as much. Somebody who knows a patient's days may "
    "find that count among others. No row of the file is linked to another.",
)


@dataclass(frozen=True, slots=True)
class FrozenCounts:
    """A table as it will be released, and nothing else. `limit` is the smallest count shown.

    `month` of the snapshot as 2026-11.
    """

    asked: Asked
    software: str
    month: str
    record_version: int
    cohort_sentence: str
    definition_name: str
    definition_sentence: str
    definition_cautions: tuple[str, ...]
    rows: Split
    columns: Split
    suppressed: Suppressed
    limit: int

    @property
    def total(self) -> int:
        """Repairs in the table."""
        return int(self.suppressed.shown[-1, -1])

    @property
    def method(self) -> str:
        """How counts were hidden, in words."""
        return METHOD.format(below=self.limit - 1, limit=self.limit, fewest=FEWEST_SHOWN)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What a reader has to know first."""
        said = (*NOT_PROMISED, *self.definition_cautions, *self.rows.notes, *self.columns.notes, NOT_A_DEVICE)
        return tuple(dict.fromkeys(said))


def counts_table(frozen: FrozenCounts) -> dict[str, Any]:
    """The table to be read, as shared/data_table.html takes it, with percentages where they may be told."""
    columns = _with_all(frozen.columns).values()
    rows = [
        [label, *(_told(frozen, row, column) for column in range(len(columns)))]
        for row, label in enumerate(_with_all(frozen.rows).values())
    ]
    caption = f"Repairs by {frozen.rows.title} and {frozen.columns.title}, with the share of each row"
    return {"caption": caption, "columns": [one_line(frozen.rows.title).capitalize(), *columns], "rows": rows}


def _told(frozen: FrozenCounts, row: int, column: int) -> str:
    n, share = int(frozen.suppressed.shown[row, column]), _share(frozen, row, column)
    if n == HIDDEN:
        return HIDDEN_WORD
    is_whole = column == frozen.suppressed.shown.shape[1] - 1
    return f"{n:,}" if share is None or is_whole else f"{n:,} ({wording.percent(share)})"


def _share(frozen: FrozenCounts, row: int, column: int) -> float | None:
    """Of the row; None where either count is hidden, or the row too small."""
    n, whole = int(frozen.suppressed.shown[row, column]), int(frozen.suppressed.shown[row, -1])
    return None if HIDDEN in (n, whole) or whole < FEWEST_SHOWN else n / whole


def _with_all(split: Split) -> dict[str, str]:
    return {**split.levels, ALL: ALL_LABEL}


def _cells(frozen: FrozenCounts) -> Iterator[tuple[object, ...]]:
    for row, (row_code, row_label) in enumerate(_with_all(frozen.rows).items()):
        for column, (code, label) in enumerate(_with_all(frozen.columns).items()):
            n, share = int(frozen.suppressed.shown[row, column]), _share(frozen, row, column)
            is_hidden = n == HIDDEN
            percent = "" if share is None else f"{100 * share:.1f}"
            yield row_code, row_label, code, label, "" if is_hidden else n, int(is_hidden), percent


def counts_csv(frozen: FrozenCounts) -> str:
    """Every cell and margin, one a row; nothing stands where a count is hidden."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    writer.writerows(_cells(frozen))
    return text.getvalue()


def _counts_json(frozen: FrozenCounts) -> str:
    """The same as a matrix, null where a count is hidden, the margins last."""
    shown = [[None if n == HIDDEN else n for n in row] for row in frozen.suppressed.shown.tolist()]
    said = {
        "rows": {"code": frozen.rows.code, "title": frozen.rows.title, "levels": _with_all(frozen.rows)},
        "columns": {
            "code": frozen.columns.code,
            "title": frozen.columns.title,
            "levels": _with_all(frozen.columns),
        },
        "n": shown,
        "hidden": "null",
        "limit": frozen.limit,
    }
    return _json(said)


def _report(frozen: FrozenCounts) -> str:
    context = {
        "title": f"{one_line(frozen.asked.project)}: counts of meniscal repairs",
        "frozen": frozen,
        "table": counts_table(frozen),
        "terms": TERMS,
        "hidden": int(frozen.suppressed.hidden.sum()),
    }
    return render_to_string("outcomes/release_files/counts_report.html", context)


def _method(frozen: FrozenCounts) -> str:
    notes = [*frozen.rows.notes, *frozen.columns.notes]
    lines = [
        "# How these counts were made",
        "",
        f"{one_line(frozen.cohort_sentence)} Read in {frozen.month} by {frozen.software}, record version "
        f"{frozen.record_version}. Only repairs of patients who allow research are counted, each once.",
        "",
        frozen.method,
        "",
        f"Failure: {frozen.definition_name}: {frozen.definition_sentence}",
        "",
        *([*(f"- {note}" for note in notes), ""] if notes else []),
        "## What is not promised",
        "",
        *(f"- {caution}" for caution in NOT_PROMISED),
        "",
        "## Terms",
        "",
        *(f"- {term}" for term in TERMS),
    ]
    return "\n".join(lines) + "\n"


def _stated(asked: Asked) -> dict[str, str]:
    return {name: one_line(getattr(asked, name)) for name in ("project", "purpose", "approval", "recipient")}


def _cohort(asked: Asked, sentence: str) -> dict[str, Any]:
    return {
        "name": one_line(asked.cohort_name),
        "version": asked.cohort_version,
        "sentence": sentence,
        "units": len(asked.units),
    }


def _manifest(frozen: FrozenCounts, sums: Mapping[str, str]) -> str:
    return _json(
        {
            "format": FORMAT_VERSION,
            "software": frozen.software,
            **_stated(frozen.asked),
            "month": frozen.month,
            "record_version": frozen.record_version,
            "cohort": _cohort(frozen.asked, frozen.cohort_sentence),
            "definition": {"name": frozen.definition_name, "sentence": frozen.definition_sentence},
            "total": frozen.total,
            "limit": frozen.limit,
            "hidden": int(frozen.suppressed.hidden.sum()),
            "cautions": frozen.cautions,
            "sha256": sums,
        }
    )


_TEXTS: dict[str, Callable[[FrozenCounts], str]] = {
    "counts.csv": counts_csv,
    "counts.json": _counts_json,
    "report.html": _report,
    "method.md": _method,
}


def build(frozen: FrozenCounts, path: Path) -> str:
    """Write the package of a table to a file, and give its SHA-256 in hexadecimal."""
    return _packed(
        path, {name: write(frozen) for name, write in _TEXTS.items()}, lambda sums: _manifest(frozen, sums)
    )


def build_pooled(asked: Asked, counts: PooledCounts, software: str, path: Path) -> str:
    """Write the package of counts to be pooled to a file, and give its SHA-256 in hexadecimal."""
    members = {POOLED_FILE: counts.as_text(), "method.md": _pooled_method()}
    said = {
        "format": FORMAT_VERSION,
        "software": software,
        **_stated(asked),
        "month": counts.month,
        "cohort": _cohort(asked, counts.cohort_sentence),
        "total": counts.n,
    }
    return _packed(path, members, lambda sums: _json({**said, "sha256": sums}))


def _pooled_method() -> str:
    about = ("The file says in `about` what each part means.", *POOLED_NOT_PROMISED, NOT_A_DEVICE)
    return "# Counts to be pooled\n\n" + "\n".join(f"- {line}" for line in (*about, *TERMS)) + "\n"


def _packed(path: Path, members: Mapping[str, str], manifest: Callable[[Mapping[str, str]], str]) -> str:
    with Archive(path) as archive:
        for name, text in members.items():
            archive.add(name, text)
        archive.add("manifest.json", manifest({name: taken.sha256 for name, taken in archive.sums.items()}))
    return sum_of(path).sha256


def _json(said: Mapping[str, Any]) -> str:
    return json.dumps(said, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
