"""Knee story: everything recorded of one knee, in order, in a constant number of queries, naming nobody.

What may be done about it stands in test_knee_story_links.py.
"""

import re
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from registry.models import (
    Complication,
    EndOfFollowUp,
    Identity,
    Imaging,
    ImagingFinding,
    Knee,
    Reoperation,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
    Visit,
)
from registry.recording import record
from registry.rules.indications import PREREQUISITES
from tests import factories
from tests.conftest import Cast
from tests.registry.pages.entries import text

LYSHOLM_89 = {
    "limp": 5,
    "support": 5,
    "locking": 10,
    "instability": 25,
    "pain": 20,
    "swelling": 10,
    "stairs": 10,
    "squatting": 4,
}


def story(cast: Cast, knee: Knee | None = None, who: str = "surgeon") -> str:
    return text(cast.client(who).get(f"/knees/{(knee or cast.knee).uuid}/"))


def fact(label: str, told: str) -> str:
    return f"<dt>{label}</dt> <dd> {told} </dd>"


def after(days: int) -> date:
    return factories.OPERATED_ON + timedelta(days=days)


def test_the_page_names_side_and_short_code_and_nothing_more(cast: Cast) -> None:
    patient = cast.knee.patient
    record(Identity.sealed(patient, hospital_number="NM-77", given_names="Ines", family_name="Farrow"))
    page = story(cast)
    assert f"<title>Left knee of patient {str(patient.uuid)[:8]} - Rimward</title>" in page
    assert not [word for word in ("NM-77", "Ines", "Farrow", str(patient.uuid)) if word in page]
    assert "17 May 1995" not in page


def test_what_is_derived_from_the_operation(cast: Cast) -> None:
    page = story(cast)
    assert fact("Acuity", "Acute, 21 days from injury") in page
    assert fact("Age at operation", "28 years") in page
    assert fact("Ligament surgery", "None") in page
    assert fact("Posteromedial look", "Not recorded") in page
    assert fact("Entered", "As it happened") in page
    assert "Not assessable: no answer on tear in a vascular zone, unstable on probing," in page
    assert "For audit: local protocol and the operating surgeon decide." in page


def test_derived_facts_of_a_staged_knee_entered_late(cast: Cast) -> None:
    procedure = factories.an_operation(
        cast.unit,
        cast.oak,
        injured_on=date(2023, 12, 1),
        injury_date_precision="month",
        recorded_at=datetime(2024, 9, 1, tzinfo=UTC),
        staging="repair_first",
        ligament_planned_on=after(90),
        acl="staged",
        posteromedial_look="probed",
        **{**dict.fromkeys(PREREQUISITES, "yes"), "alignment_acceptable": "no"},
    )
    page = story(cast, procedure.knee)
    assert '<time datetime="2023-12">December 2023</time> <h3>Injury</h3>' in page
    assert fact("Acuity", "Chronic, 91 days from injury") in page
    assert fact("Indications", "Outside usual indications: not met: alignment acceptable") in page
    assert fact("Ligament surgery", "Staged later") in page
    assert fact("ACL", "Torn, treatment staged") in page
    assert fact("Posteromedial look", "Probed by a posteromedial portal") in page
    assert fact("Entered", "Later, from notes") in page
    assert "<h3>Ligament operation planned</h3>" in page
    record(SecondLook(knee=procedure.knee, looked_on=after(95), reason="staged"))
    assert "<h3>Ligament operation planned</h3>" not in story(cast, procedure.knee)


def test_an_injury_without_a_date(cast: Cast) -> None:
    procedure = factories.an_operation(cast.unit, cast.oak, injured_on=None)
    page = story(cast, procedure.knee)
    assert "Date unknown</span> <h3>Injury</h3>" in page
    assert fact("Acuity", "Unknown") in page


def test_each_tear_says_what_was_found_and_done(cast: Cast) -> None:
    factories.a_repair(
        cast.repair.tear.procedure,
        augmentation="fibrin_clot",
        pattern="root",
        root_type="2A",
        meniscus="lateral",
        length_mm=12,
        displaced=False,
    )
    page = story(cast)
    assert "<h4>Tear 1: longitudinal-vertical tear, medial meniscus</h4>" in page
    second = page[page.index("<h4>Tear 2: ") :]
    for label, told in {
        "Length (mm)": "12",
        "Displaced": "No",
        "Root type": "2A: complete radial, under 3 mm from the root",
        "What was done": "Repaired",
        "Technique": "All-inside",
        "Augmentation": "Fibrin clot",
    }.items():
        assert fact(label, told) in second


def test_a_return_says_of_which_tear(cast: Cast) -> None:
    again = factories.an_operation(cast.unit, cast.oak, cast.knee, operated_on=after(500), injured_on=None)
    factories.a_repair(again, revises=cast.repair.tear)
    assert fact("Return of", "Tear 1: longitudinal-vertical tear, medial meniscus") in story(cast)


# Barrett et al. 1998 from memory: none of the three signs; read from six months (183 days) on.
@pytest.mark.parametrize(
    ("days", "signs", "told"),
    [
        (182, {"effusion": "marked"}, "Read from 183 days after operation on"),
        (183, {"effusion": "none", "joint_line_tenderness": False, "mcmurray": False}, "Healed"),
        (183, {"effusion": "slight"}, "Not healed"),
        (183, {"effusion": "none", "mcmurray": False}, "Not assessable: a sign is not recorded"),
    ],
)
def test_clinical_healing_at_a_visit(cast: Cast, days: int, signs: dict[str, Any], told: str) -> None:
    record(Visit(knee=cast.knee, seen_on=after(days), **signs))
    assert fact("Clinical healing", told) in story(cast)


def test_staged_and_looked_at_no_more(cast: Cast) -> None:
    procedure = factories.an_operation(cast.unit, cast.oak, staging="repair_first", acl="staged")
    page = story(cast, procedure.knee)
    assert "Date unknown</span> <h3>Ligament operation planned</h3>" in page
    record(Reoperation(knee=procedure.knee, operated_on=after(90), planned=True, other_surgery="ligament"))
    page = story(cast, procedure.knee)
    assert "<h3>Second look not recorded</h3>" in page
    assert "How the repaired tears looked then is not on record." in page
    record(SecondLook(knee=procedure.knee, looked_on=after(90), reason="staged"))
    assert "Second look not recorded" not in story(cast, procedure.knee)


@pytest.mark.parametrize(
    ("thickness", "told"), [(91, "Healed"), (90, "Partly healed"), (50, "Not healed"), (None, "Not classed")]
)
def test_class_of_a_second_look(cast: Cast, thickness: int | None, told: str) -> None:
    looked_at(cast, healed_thickness_percent=thickness, healed_length_percent=100)
    assert f"<dt>Class</dt> <dd> {told}" in story(cast)


def looked_at(cast: Cast, **found: Any) -> None:
    look = SecondLook(knee=cast.knee, looked_on=after(100), reason="symptoms")
    record(look, SecondLookFinding(look=look, tear=cast.repair.tear, **found))


def test_the_class_stands_with_the_limits_of_the_patients_unit_and_their_source(cast: Cast) -> None:
    factories.corrected(cast.unit, healed_cleft_below_percent=20, failed_cleft_from_percent=60)
    looked_at(cast, healed_thickness_percent=85, healed_length_percent=100, action="partial_removal")
    page = story(cast)
    assert fact("Class", "Healed") in page
    assert fact("Action taken", "Partial removal") in page
    assert (
        "Class by the limits of Northmere Hospital: healed with a cleft under 20 % of the thickness, along "
        "the full length; not healed with one of 60 % or more (Henning et al. CORR 1990;252:64-72)."
    ) in page


def test_moments_stand_in_order_of_time(cast: Cast) -> None:
    patient = cast.knee.patient
    record(ScoreResponse(knee=cast.knee, instrument="lysholm", answered_on=after(-5), items=LYSHOLM_89))
    record(Visit(knee=cast.knee, seen_on=after(42), time_point="6w"))
    imaging = Imaging(knee=cast.knee, imaged_on=after(200), modality="mri")
    record(imaging, ImagingFinding(imaging=imaging, tear=cast.repair.tear, healed="failed"))
    factories.a_failure(cast.repair, days=250)
    stiff = {"kind": "stiffness", "severity": "III", "found_by": "symptoms"}
    record(Complication(knee=cast.knee, noticed_on=after(60), **stiff))
    factories.a_contact(cast.repair, days=300)
    record(EndOfFollowUp(patient=patient, ended_on=after(400), reason="moved"))
    factories.corrected(patient, died_on=after(500))
    assert re.findall("<h3>(.*?)</h3>", story(cast)) == [
        "Injury",
        "Lysholm: 89 of 100",
        "Operation",
        "Visit, 6 weeks",
        "Complication: Stiffness needing manipulation",
        "MRI",
        "Reoperation",
        "Contact: Phone",
        "End of follow-up",
        "Death",
    ]
