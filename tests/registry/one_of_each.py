"""One sound row of every table of the record, all of one knee."""

from datetime import date, timedelta
from decimal import Decimal

from registry.models import (
    BookedVisit,
    Complication,
    Contact,
    EndOfFollowUp,
    GivenUpReview,
    GradePeriod,
    Identity,
    Imaging,
    ImagingFinding,
    Implant,
    Kept,
    PatientReport,
    PlannedTimePoint,
    Rehabilitation,
    Reoperation,
    ReoperationOnTear,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    SoftAnswer,
    SuturePass,
    TearReading,
    Visit,
)
from registry.recording import record
from tests import factories
from tests.conftest import Cast

# The GTIN of an example in GS1's own documents (from memory); its check digit is 0.
DEVICE = "09506000134352"


def one_of_each(cast: Cast) -> dict[str, Kept]:
    """Recorded rows by the name of their model."""
    procedure = factories.an_operation(cast.unit, cast.oak, acl="treated_here", graft="hamstring")
    repair = factories.a_repair(
        procedure,
        meniscus="medial",
        pattern="root",
        rim_zone=1,
        root_type="2B",
        radial_location="root",
    )
    tear, knee = repair.tear, procedure.knee
    day = procedure.operated_on + timedelta(days=100)
    look = SecondLook(knee=knee, looked_on=day, reason="staged")
    imaging = Imaging(knee=knee, imaged_on=day, modality="mri")
    again = Reoperation(knee=knee, operated_on=day)
    read = {"pattern": "root", "depth": "complete", "radial_location": "root", "tissue": "good"}
    rows: list[Kept] = [
        Identity.sealed(knee.patient, hospital_number="N-1"),
        GradePeriod(surgeon=cast.oak, grade="consultant", since=date(2020, 1, 1)),
        PlannedTimePoint(unit=cast.unit, time_point="6w", due_day=42, window_days=14),
        Rehabilitation(procedure=procedure, course="planned", brace_weeks=6),
        Implant(procedure=procedure, device_identifier=DEVICE, lot="A1", expires_on=date(2030, 1, 1)),
        SuturePass(repair=repair, configuration="vertical", number=3, spacing_mm=Decimal("2.5")),
        TearReading(
            tear=tear, reader=factories.a_surgeon(cast.unit, "yew"), rim_zone=2, vascular_zone="RR", **read
        ),
        Visit(knee=knee, seen_on=day),
        imaging,
        ImagingFinding(imaging=imaging, tear=tear, healed="healed"),
        look,
        SecondLookFinding(look=look, tear=tear, healed_thickness_percent=95, healed_length_percent=100),
        again,
        ReoperationOnTear(reoperation=again, tear=tear),
        Complication(knee=knee, noticed_on=day, kind="stiffness", severity="II", found_by="symptoms"),
        Contact(knee=knee, contacted_on=day, source="phone"),
        ScoreResponse(knee=knee, answered_on=day, instrument="lysholm"),
        PatientReport.sealed({"where": "another town"}, knee=knee, answered_on=day, operated_again="unsure"),
        GivenUpReview(knee=knee, given_up_on=day, time_point="3m", reason="not_reached"),
        BookedVisit(knee=knee, booked_for=day, time_point="3m"),
        EndOfFollowUp(patient=knee.patient, ended_on=day, reason="lost", attempts=3),
        SoftAnswer(procedure=procedure, tear=tear, code="zone", answer="seen so"),
    ]
    record(*rows)
    known: list[Kept] = [cast.unit, cast.oak, knee.patient, knee, procedure, tear, repair, *rows]
    return {type(row).__name__: row for row in known}
