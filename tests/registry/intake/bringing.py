"""A department that brings its old sheets in, and what then stands on record of them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from registry.intake import files, work
from registry.intake.columns.mapping import Column, Mapping
from registry.intake.columns.questions import Question, questions
from registry.intake.report import Report
from registry.models import Identity, IndexProcedure, Intake, Tear, Unit, User
from registry.telling import silently
from tests import factories

ROW = {
    "MRN": "P-0042", "Sex": "f", "DOB": "1995-05-17", "Side": "right", "Op date": "2021-04-13",
    "Surgeon": "Oak", "Meniscus": "medial", "Tear type": "bucket handle", "Technique": "all-inside",
}  # fmt: skip


def rows(*differences: dict[str, Any]) -> list[list[Any]]:
    """A header and one row for each difference from ROW; new names are columns of their own at the end."""
    header = list(ROW | {name: None for each in differences for name in each})
    return [header, *([(ROW | each).get(name) for name in header] for each in differences)]


@dataclass(frozen=True)
class Department:
    """A unit with two surgeons, and who brings its files in."""

    unit: Unit
    by: User

    def begin(self, content: bytes, file_name: str = "list.xlsx", **answers: dict[str, Any]) -> Intake:
        """A file begun; `answers` are fields of the columns of these headers."""
        intake = files.begin(self.unit, self.by, file_name, content)
        sheets = files.mapping_of(intake).sheets
        answered = (replace(each, columns=_answered(each.columns, answers)) for each in sheets)
        files.set_mapping(intake, self.by, Mapping(tuple(answered)))
        return Intake.objects.get(pk=intake.pk)

    def asked(self, intake: Intake) -> list[Question]:
        return questions(files.sheets_of(intake), files.mapping_of(intake), files.known_of(self.unit))

    def bring(self, content: bytes, file_name: str = "list.xlsx", **answers: dict[str, Any]) -> Report:
        """A file rehearsed and taken in."""
        intake = self.begin(content, file_name, **answers)
        rehearsed = work.rehearse(intake, silently)
        assert not IndexProcedure.objects.exists()
        taken = work.take_in(intake, self.by, silently)
        assert taken == rehearsed
        return taken


def _answered(columns: Sequence[Column], answers: dict[str, dict[str, Any]]) -> tuple[Column, ...]:
    return tuple(replace(each, **answers.get(each.header, {})) for each in columns)


def a_department() -> Department:
    unit = factories.a_unit("northmere")
    oak = factories.a_person("oak", ("surgeon", unit))
    factories.a_surgeon(unit, "oak", oak)
    factories.a_surgeon(unit, "elm")
    return Department(unit, oak)


def number_of(operation: IndexProcedure) -> str:
    return Identity.objects.get(patient=operation.knee.patient).opened()["hospital_number"]


def operations() -> list[IndexProcedure]:
    found = IndexProcedure.objects.filter(from_old_notes=True).order_by("operated_on", "pk")
    return list(found.select_related("knee__patient", "lead_surgeon"))


def told(*names: str) -> list[tuple[Any, ...]]:
    """Of every operation: hospital number and what these names say, such as `knee.side`."""
    return [(number_of(each), *(_at(each, name) for name in names)) for each in operations()]


def _at(row: Any, name: str) -> Any:
    for step in name.split("."):
        row = getattr(row, step)
    return row


def tears() -> list[tuple[Any, ...]]:
    """Of every tear in order: meniscus, third, pattern, length and the techniques of its repair."""
    found = Tear.objects.select_related("repair").order_by("procedure__operated_on", "pk")
    return [
        (each.meniscus, each.radial_location, each.pattern, each.length_mm, *_techniques(each))
        for each in found
    ]


def _techniques(tear: Tear) -> list[str]:
    names = ("all_inside", "inside_out", "outside_in", "pull_out", "suture_anchor", "suture_hook")
    return [name for name in names if getattr(tear.repair, name)] if hasattr(tear, "repair") else []


def refused(report: Report) -> list[tuple[str, int, str, str, str]]:
    """Of every problem: sheet, row, column, value and rule."""
    return [(each.sheet, each.row, each.column, each.value, each.rule) for each in report.problems]
