"""What the pages of an intake say: cautions, counts and steps."""

from dataclasses import dataclass

from django.urls import reverse

from registry.intake.report import KINDS, Report, Standing
from registry.models import Intake
from registry.pages.tables import Table
from registry.vocabulary import IntakeState

CAUTIONS = (
    "What comes in here is marked as entered later from old notes. Its repairs are at risk in survival only "
    "from today on, and every figure says so.",
    "Look at the rehearsal before you take anything in: it shows what would come of the file, and writes "
    "nothing.",
    "The file names patients. It is kept sealed until it is taken in or dropped, for 30 days at most. "
    "Whether it may be brought here is for your own rules of information governance.",
)
STANDINGS = {
    Standing.NEW: "New",
    Standing.ON_RECORD: "On record already",
    Standing.CONFLICTING: "In conflict with the record",
    Standing.REFUSED: "Refused",
}
# The steps by which a person goes, and the address of each.
STEPS = (("intake_columns", "Columns"), ("intake_values", "Values"), ("intake", "Rehearsal"))


@dataclass(frozen=True, slots=True)
class Step:
    """One step: where it is, and whether one stands on it or could go there."""

    label: str
    url: str
    is_here: bool
    is_open: bool


def steps(intake: Intake, here: str) -> list[Step]:
    """The steps of an intake that is not over; none of one that is."""
    if intake.state in (IntakeState.TAKEN_IN, IntakeState.UNDONE, IntakeState.DROPPED):
        return []
    changes = intake.state in (IntakeState.OPEN, IntakeState.REHEARSED)
    return [
        Step(
            label,
            reverse(name, args=[intake.uuid]),
            name == here,
            changes if name != "intake" else intake.state != IntakeState.OPEN,
        )
        for name, label in STEPS
    ]


def counts_table(report: Report) -> Table:
    """How much of each kind is new, on record, in conflict or refused."""
    rows = [
        [kind.capitalize(), *(f"{report.counts[kind][standing]:,}" for standing in STANDINGS)]
        for kind in KINDS
    ]
    return Table("What the file tells", ["", *STANDINGS.values()], rows)


def brought(report: Report | None) -> str:
    """The counts of what is new, in one line for a list."""
    if report is None:
        return ""
    new = [f"{report.counts[kind][Standing.NEW]:,} {kind}" for kind in KINDS]
    refused = len(report.problems)
    return ", ".join(new) + (f"; {refused:,} problem{'' if refused == 1 else 's'}" if refused else "")
