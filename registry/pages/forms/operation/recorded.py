"""An operation as it is on record, with its parts by key, for the page that corrects it."""

from collections import defaultdict
from dataclasses import dataclass, field

from registry.models import (
    Implant,
    IndexProcedure,
    Kept,
    Rehabilitation,
    Repair,
    SoftAnswer,
    SuturePass,
    Tear,
)
from registry.vocabulary import RehabilitationCourse


@dataclass
class Recorded:
    """The standing parts of one operation, read in one query a table; repairs also when withdrawn.

    A tear has one row of repair for good: one withdrawn is brought back rather than doubled.
    """

    procedure: IndexProcedure | None = None
    tears: dict[int, Tear] = field(default_factory=dict)
    repairs: dict[int, Repair] = field(default_factory=dict)
    passes: dict[int, dict[int, SuturePass]] = field(default_factory=dict)
    implants: dict[int, Implant] = field(default_factory=dict)
    planned: Rehabilitation | None = None
    answers: list[SoftAnswer] = field(default_factory=list)

    @classmethod
    def of(cls, procedure: IndexProcedure) -> "Recorded":
        tears = {tear.pk: tear for tear in Tear.objects.filter(procedure=procedure).order_by("pk")}
        repairs = {repair.tear_id: repair for repair in Repair.ever.filter(tear__in=tears)}
        passes: dict[int, dict[int, SuturePass]] = defaultdict(dict)
        # A part refers to the very row that the page may be changing, so that it is checked against that.
        for key, repair in repairs.items():
            repair.tear = tears[key]
        for row in SuturePass.objects.filter(repair__in=[repair.pk for repair in repairs.values()]):
            row.repair = next(repair for repair in repairs.values() if repair.pk == row.repair_id)
            passes[row.repair.tear_id][row.pk] = row
        return cls(
            # Read anew: forms write what is typed into their row.
            IndexProcedure.objects.select_related("knee__patient", "unit").get(pk=procedure.pk),
            tears,
            repairs,
            passes,
            {implant.pk: implant for implant in Implant.objects.filter(procedure=procedure)},
            Rehabilitation.objects.filter(procedure=procedure, course=RehabilitationCourse.PLANNED).first(),
            list(SoftAnswer.objects.filter(procedure=procedure)),
        )

    @property
    def rows(self) -> dict[str, Kept]:
        """Every row that the page can remove, by the name under which the page carries it."""
        passes = [row for of_tear in self.passes.values() for row in of_tear.values()]
        kinds: dict[str, list[Kept]] = {
            "tear": [*self.tears.values()],
            "pass": [*passes],
            "implant": [*self.implants.values()],
        }
        return {f"{kind}-{row.pk}": row for kind, rows in kinds.items() for row in rows}
