"""Knee story: every field of the clinical vocabulary is on it, in a constant number of queries."""

from datetime import date, timedelta
from decimal import Decimal

from django.apps import apps
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils.text import capfirst

from registry.models import (
    BookedVisit,
    Complication,
    Contact,
    EndOfFollowUp,
    GivenUpReview,
    Imaging,
    ImagingFinding,
    Implant,
    IndexProcedure,
    Knee,
    PatientReport,
    Rehabilitation,
    Reoperation,
    ReoperationOnTear,
    Repair,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    SoftAnswer,
    SuturePass,
    Tear,
    Visit,
)
from registry.models.procedures import LIGAMENTS, OTHER_PROCEDURES
from registry.models.repairs import ACCOMPANYING, TECHNIQUE_FIELDS
from registry.recording import record, sign
from registry.vocabulary import Technique
from tests import factories
from tests.conftest import Cast
from tests.registry.every_field import STORED
from tests.registry.one_of_each import DEVICE
from tests.registry.pages.entries import text
from tests.registry.pages.test_knee_story import LYSHOLM_89, after, story
from tests.registry.whole import OPERATION, TEAR

# One of them asks whether this person's opening of today is noted.
QUERIES = 46


def everything(cast: Cast) -> Knee:
    """A knee of which every field of the vocabulary is filled in, over as many tears as that takes."""
    procedure = factories.an_operation(
        cast.unit,
        cast.oak,
        factories.a_knee(cast.unit, sex="male", born_on_is_exact=False),
        first_assistant=factories.a_surgeon(cast.unit, "elm"),
        repaired_by=factories.a_surgeon(cast.unit, "yew"),
        **{**OPERATION, "bmi": Decimal("24.5"), "hka_deg": Decimal("-2.5")},
        **{name: "treated_here" for name in LIGAMENTS if name not in OPERATION},
        **dict.fromkeys(OTHER_PROCEDURES, True),
        anaesthetic="spinal",
        tourniquet_min=45,
        cartilage_medial=1,
        cartilage_lateral=2,
        cartilage_patellofemoral=3,
        graft="hamstring",
        staging="repair_first",
        ligament_planned_on=after(90),
    )
    root = factories.a_repair(
        procedure,
        augmentation="prp",
        meniscus="lateral",
        pattern="root",
        root_type="2B",
        root_distance_mm=Decimal("4.5"),
        before_popliteal_hiatus=True,
        displaced=False,
        rim_width_mm=Decimal("2.5"),
        **dict.fromkeys(ACCOMPANYING, True),
        **{name: value for name, value in TEAR.items() if name != "pattern"},
    )
    factories.a_repair(procedure, pattern="ramp", ramp_type="4")
    factories.corrected(
        root,
        **dict.fromkeys(TECHNIQUE_FIELDS, True),
        **dict.fromkeys(("rasped", "trephined", "shaved", "stable_at_end"), True),
        tunnels=2,
        tibial_fixation="button",
        prp_blood_ml=30,
    )
    limits = {"flexion_limit_deg": 90, "flexion_limit_weeks": 6, "sport_return_months": 9}
    spaced = {"surface": "upper", "suture_size": "2-0", "spacing_mm": Decimal("2.5")}
    expired = {"lot": "A17", "serial": "S4", "expires_on": after(-1), "count": 3}
    again = Reoperation(knee=procedure.knee, operated_on=after(700), other_surgery="hardware")
    record(
        SuturePass(repair=root, configuration="vertical", number=3, **spaced),
        SuturePass(repair=root, configuration="hybrid", number=2),
        Implant(procedure=procedure, device_identifier=DEVICE, **expired),
        Rehabilitation(
            procedure=procedure, course="planned", full_weight_bearing_weeks=6, brace_weeks=4, **limits
        ),
        Rehabilitation(procedure=procedure, course="actual", brace_weeks=8),
        SoftAnswer(procedure=procedure, tear=root.tear, code="zone-as-seen", answer="Both as seen"),
        again,
        ReoperationOnTear(reoperation=again, tear=root.tear, action="partial_removal"),
    )
    later = factories.an_operation(cast.unit, cast.oak, procedure.knee, operated_on=after(500))
    factories.a_repair(later, meniscus="lateral", pattern="root", revises=root.tear)
    follow(procedure.knee, root)
    told(procedure.knee, again, later)
    return procedure.knee


def follow(knee: Knee, repair: Repair) -> None:
    """One filled-in event of every kind."""
    look = SecondLook(knee=knee, looked_on=after(100), reason="staged")
    imaging = Imaging(knee=knee, imaged_on=after(200), modality="mri")
    of_tear = dict.fromkeys(("stable_on_probing", "sutures_covered", "vessels_seen"), True)
    record(
        look,
        SecondLookFinding(
            look=look, tear=repair.tear, healed_thickness_percent=60, healed_length_percent=80,
            action="re_repair", **of_tear,
        ),
        imaging,
        ImagingFinding(
            imaging=imaging, tear=repair.tear, signal_to_surface="one", fluid_in_repair=False,
            extrusion_mm=Decimal("1.5"), healed="partly",
        ),
        Visit(
            knee=knee, seen_on=after(365), time_point="12m", effusion="none", joint_line_tenderness=False,
            mcmurray=False, flexion_deg=135, extension_deg=0, lachman=1, pivot=0, sport_return="lower",
            employed_as_before=True,
        ),
        ScoreResponse(
            knee=knee, instrument="lysholm", answered_on=after(365), items=LYSHOLM_89, reoperated_since="no"
        ),
        Complication(
            knee=knee, noticed_on=after(30), kind="stiffness", severity="III", found_by="symptoms",
            resolved_on=after(60),
        ),
        Contact(knee=knee, contacted_on=after(400), source="phone"),
        EndOfFollowUp(patient=knee.patient, ended_on=after(800), reason="lost", attempts=3),
    )  # fmt: skip
    factories.corrected(
        knee.patient, research_permission="given", research_permission_on=after(10), died_on=after(900)
    )


def told(knee: Knee, again: Reoperation, later: IndexProcedure) -> None:
    """What the patient told, verified in each way there is, and what was done about reviews."""
    signs = dict.fromkeys((*PatientReport.SIGNS, "signs_seen_to"), True)
    yes = {"knee": knee, "operated_again": "yes"}
    record(
        PatientReport(
            answered_on=after(750), reoperation=again, way="link", time_point="24m", **signs, **yes
        ),
        PatientReport(answered_on=after(751), operation=later, **yes),
        PatientReport(answered_on=after(752), no_reoperation_because="A clinic visit", **yes),
        GivenUpReview(knee=knee, given_up_on=after(753), time_point="60m", reason="declined"),
        BookedVisit(knee=knee, booked_for=after(754), time_point="24m"),
    )


# Columns that read otherwise than by their name: in a sentence, a heading, a date, or on the map.
READS_AS = {
    "IndexProcedure.unit": "Northmere Hospital",
    "IndexProcedure.operated_on": "<h3>Operation</h3>",
    "IndexProcedure.injured_on": "<h3>Injury</h3>",
    "IndexProcedure.injury_date_precision": "9 Feb 2024",
    **{f"IndexProcedure.{name}": words for name, words in OTHER_PROCEDURES.items()},
    "IndexProcedure.proximal_tibial_osteotomy": "Osteotomy of the proximal tibia",
    "Tear.meniscus": "lateral meniscus",
    "Tear.pattern": "root avulsion or root radial tear",
    "Tear.map_step": "posterior third, step 10 of 12",
    "Tear.revises": "Return of",
    **{f"Tear.{name}": str(Tear._meta.get_field(name).verbose_name) for name in ACCOMPANYING},
    **{f"Repair.{technique.value}": technique.label for technique in Technique},
    "SuturePass.number": "3 vertical, upper surface, suture 2-0, 2.5 mm apart; 2 hybrid",
    "SuturePass.configuration": "2 hybrid",
    "SuturePass.surface": "upper surface",
    "SuturePass.suture_size": "suture 2-0",
    "SuturePass.spacing_mm": "2.5 mm apart",
    "Implant.device_identifier": f"Identifier {DEVICE}",
    "Implant.lot": "lot A17",
    "Implant.serial": "serial S4",
    "Implant.expires_on": "expiry 29 Feb 2024; expired at operation",
    "Implant.count": "3 used",
    "Rehabilitation.course": "Rehabilitation, as it went",
    "Visit.seen_on": "Visit, 12 months",
    "Visit.time_point": "Visit, 12 months",
    "Imaging.imaged_on": "<h3>MRI</h3>",
    "Imaging.modality": "<h3>MRI</h3>",
    "SecondLook.looked_on": "<h3>Second look</h3>",
    "ScoreResponse.answered_on": "<h3>Lysholm: 89 of 100</h3>",
    "ScoreResponse.instrument": "Lysholm",
    "ScoreResponse.items": "<dt>Squatting</dt> <dd> 4 </dd>",
    "Reoperation.operated_on": "<h3>Reoperation</h3>",
    "Complication.noticed_on": "<h3>Complication: Stiffness needing manipulation</h3>",
    "Complication.kind": "<h3>Complication: Stiffness needing manipulation</h3>",
    "Contact.contacted_on": "<h3>Contact: Phone</h3>",
    "Contact.source": "<h3>Contact: Phone</h3>",
    "EndOfFollowUp.ended_on": "<h3>End of follow-up</h3>",
    "PatientReport.answered_on": "<h3>Patient's report</h3>",
    **dict.fromkeys(
        (f"PatientReport.{sign}" for sign in PatientReport.SIGNS),
        "<dt>Warning signs</dt> <dd> Fever, painful or swollen calf, locked knee",
    ),
    "PatientReport.way": "<dt>How it came in</dt> <dd> By the patient's link",
    "PatientReport.time_point": "<dt>Time point</dt> <dd> 24 months",
    "PatientReport.reoperation": "Confirmed by the reoperation of 30 Jan 2026",
    "PatientReport.operation": "Confirmed by the operation of 14 Jul 2025",
    "PatientReport.no_reoperation_because": "Set aside: A clinic visit",
    "GivenUpReview.given_up_on": "<h3>Review given up, 60 months</h3>",
    "GivenUpReview.time_point": "<h3>Review given up, 60 months</h3>",
    "GivenUpReview.reason": "<dt>Reason</dt> <dd> Declined this review",
    "BookedVisit.booked_for": "<h3>Visit booked</h3>",
    "BookedVisit.time_point": "<dt>Time point</dt> <dd> 24 months",
    "SoftAnswer.tear": "Tear 1: root avulsion or root radial tear, lateral meniscus: Zone as seen",
    "SoftAnswer.code": "Zone as seen",
    "SoftAnswer.answer": "Both as seen",
    "Patient.sex": "<dt>Sex</dt> <dd> Male",
    "Patient.born_on": "<dt>Age at operation</dt> <dd> 28 years",
    "Patient.born_on_is_exact": "28 years, date of birth not exact",
    "Patient.died_on": "<h3>Death</h3>",
    "Patient.research_permission": "<h3>Research permission: Given</h3>",
    "Patient.research_permission_on": "<h3>Research permission: Given</h3>",
}
# Not of the story: who the patient is, and how others classified the tear without the record before them.
ELSEWHERE = ("Unit", "PlannedTimePoint", "Surgeon", "GradePeriod", "Identity", "Knee", "TearReading")
UNSAID = (
    "Patient.unit",
    # For the Due page and for letters.
    "Patient.language",
    "Patient.reminders",
    # The patient's own words stand where the report is verified.
    *(f"PatientReport.{name}_sealed" for name in PatientReport.WORDS),
)


def words_for(column: str) -> str:
    name, field = column.split(".")
    verbose = apps.get_model("registry", name)._meta.get_field(field).verbose_name
    return READS_AS.get(column) or f"<dt>{capfirst(str(verbose))}</dt>"


def test_every_field_of_the_vocabulary_is_told(cast: Cast) -> None:
    page = story(cast, everything(cast))
    columns = [column for _, _, column in STORED if column.split(".")[0] not in ELSEWHERE]
    untold = [each for each in columns if each not in UNSAID and words_for(each) not in page]
    assert untold == []


def a_year_more(cast: Cast, knee: Knee, operated_on: date) -> None:
    """Another repair of a knee, one of everything that may follow, and each corrected once."""
    again = factories.an_operation(
        cast.unit, cast.oak, knee, operated_on=operated_on, injured_on=None, recorded_by=cast.surgeon
    )
    repair = factories.a_repair(again)
    day = operated_on + timedelta(days=200)
    look = SecondLook(knee=knee, looked_on=day, reason="symptoms")
    imaging = Imaging(knee=knee, imaged_on=day, modality="mri")
    visit = Visit(knee=knee, seen_on=day)
    record(
        visit,
        ScoreResponse(knee=knee, instrument="lysholm", answered_on=day, items=LYSHOLM_89),
        Complication(knee=knee, noticed_on=day, kind="stiffness", severity="II", found_by="symptoms"),
        look,
        SecondLookFinding(
            look=look, tear=repair.tear, healed_thickness_percent=95, healed_length_percent=100
        ),
        imaging,
        ImagingFinding(imaging=imaging, tear=repair.tear, healed="healed"),
        Implant(procedure=again, device_identifier=DEVICE, lot="A1"),
        Rehabilitation(procedure=again, course="planned", brace_weeks=6),
        SuturePass(repair=repair, configuration="vertical", number=3),
        SoftAnswer(procedure=again, tear=repair.tear, code="zone", answer="as seen"),
        PatientReport(knee=knee, answered_on=day, operated_again="yes", operation=again),
        GivenUpReview(knee=knee, given_up_on=day, time_point="3m", reason="declined"),
        BookedVisit(knee=knee, booked_for=day),
        by=cast.clinician,
    )
    factories.a_failure(repair, days=250)
    factories.a_contact(repair, days=300)
    sign(again, cast.surgeon)
    factories.corrected(visit, lachman=1)
    factories.corrected(again, asa=2)


def test_the_number_of_queries_does_not_grow_with_the_story(cast: Cast) -> None:
    knee = factories.a_knee(cast.unit)
    client = cast.client("surgeon")

    def told() -> tuple[int, int]:
        with CaptureQueriesContext(connection) as captured:
            page = text(client.get(f"/knees/{knee.uuid}/"))
        timeline = page.split('<ol class="time-line">')[1].split("</ol>")[0]
        return len(captured), timeline.count("<h3>")

    a_year_more(cast, knee, date(2010, 1, 4))
    told()  # notes the opening, once a day
    queries, moments = told()
    assert queries <= QUERIES
    for year in range(2011, 2022):
        a_year_more(cast, knee, date(year, 1, 4))
    assert told() == (queries, 12 * moments)
