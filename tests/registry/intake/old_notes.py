"""Small files of old records, each column named by the target it fills, and ways to bring them in."""

import csv
import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from registry.intake import files, work
from registry.intake.columns.mapping import Column, Mapping, SheetMapping
from registry.intake.columns.targets import TARGETS
from registry.intake.report import Report
from registry.models import Intake, Unit, User
from registry.telling import silently
from tests.conftest import Cast

Row = dict[str, Any]
PERSON = {"patient.hospital_number": "H 100", "patient.sex": "female", "patient.born_on": "1990-05-17"}
OPERATION = {
    **PERSON,
    "knee.side": "left",
    "operation.operated_on": "2019-03-01",
    "operation.lead_surgeon": "oak",
}
TEAR = {"tear1.meniscus": "medial", "tear1.pattern": "longitudinal", "repair1.techniques": "all_inside"}
REPAIRED = {**OPERATION, **TEAR}
VISIT = {"patient.hospital_number": "H 100", "visit.seen_on": "2019-09-02", "visit.flexion_deg": "130"}
LOOK = {"look.looked_on": "2020-02-01", "look.reason": "staged"}


def text_of(rows: Iterable[Row], sheet: str) -> tuple[bytes, Mapping]:
    """A text of separated cells with a column for every key, and what its columns mean."""
    rows = list(rows)
    headers = list(dict.fromkeys(key for row in rows for key in row))
    written = io.StringIO()
    writer = csv.DictWriter(written, headers)
    writer.writeheader()
    writer.writerows(rows)
    columns = tuple(
        Column(place, header, header if header in TARGETS else "") for place, header in enumerate(headers)
    )
    return written.getvalue().encode(), Mapping((SheetMapping(sheet, columns=columns),))


def file_of(unit: Unit, by: User, rows: Iterable[Row], name: str = "old notes.csv") -> Intake:
    content, mapping = text_of(rows, Path(name).stem)
    intake = files.begin(unit, by, name, content)
    files.set_mapping(intake, by, mapping)
    return intake


def begun(cast: Cast, *rows: Row, name: str = "old notes.csv") -> Intake:
    return file_of(cast.unit, cast.surgeon, rows, name)


def rehearsed(cast: Cast, *rows: Row) -> Report:
    return work.rehearse(begun(cast, *rows), silently)


def taken_in(cast: Cast, *rows: Row, name: str = "old notes.csv") -> tuple[Intake, Report]:
    intake = begun(cast, *rows, name=name)
    work.rehearse(intake, silently)
    return intake, work.take_in(intake, cast.surgeon, silently)


def counts(report: Report) -> dict[str, dict[str, int]]:
    """The counts of a report without noughts."""
    return {
        kind: {standing: count for standing, count in each.items() if count}
        for kind, each in report.counts.items()
        if any(each.values())
    }


def told(report: Report) -> list[tuple[int, str]]:
    """Row and rule of each problem."""
    return [(problem.row, problem.rule) for problem in report.problems]
