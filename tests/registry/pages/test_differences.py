"""Corrections told in words: labels, codes, dates, people and sealed values."""

from datetime import date
from decimal import Decimal

from django.db import connection
from django.test.utils import CaptureQueriesContext

from registry.models import (
    Correction,
    Identity,
    Imaging,
    ImagingFinding,
    ScoreResponse,
    SecondLook,
    SecondLookFinding,
)
from registry.pages.differences import NOTHING, SEALED, Line, told
from registry.recording import Act, correct, record, sign
from registry.scoring.lysholm import LYSHOLM
from tests import factories
from tests.conftest import Cast

DAY = date(2024, 10, 1)
BEST = {item.code: item.allowed[0] for item in LYSHOLM.items}


def lines(cast: Cast, who: str = "surgeon") -> list[Line]:
    return [line for change in told(Correction.objects.all(), getattr(cast, who)) for line in change.lines]


def test_codes_dates_numbers_and_people_are_told_in_words(cast: Cast) -> None:
    elm = factories.a_surgeon(cast.unit, "elm", cast.colleague)
    operation = cast.repair.tear.procedure
    factories.corrected(
        operation,
        bmi=Decimal("24.0"),
        lead_surgeon=elm,
        acl="left",
        injured_on=date(2024, 2, 1),
        loose_body_removal=True,
    )
    assert lines(cast) == [
        Line("Lead surgeon", "Dr Oak", "Dr Elm"),
        Line("Date of injury", "9 Feb 2024", "1 Feb 2024"),
        Line("BMI", NOTHING, "24"),
        Line("ACL", "Intact", "Torn, left"),
        Line("Removal of loose bodies", "No", "Yes"),
    ]
    (change,) = told(Correction.objects.all(), cast.surgeon)
    assert (change.row, change.who, change.reason) == (
        "Operation of 1 Mar 2024",
        "Nobody signed in",
        "a test",
    )


def test_surgeons_elsewhere_go_by_code(cast: Cast) -> None:
    yew = factories.a_surgeon(cast.other_unit, "yew", cast.stranger)
    operation = cast.repair.tear.procedure
    operation.repaired_by = yew
    correct(operation, act=Act(cast.stranger, "visiting"))
    assert lines(cast) == [Line("Repaired by", NOTHING, "yew")]
    assert told(Correction.objects.all(), cast.surgeon)[0].who == "Surgeon yew"
    assert told(Correction.objects.all(), cast.stranger)[0].who == "stranger"


def test_sealed_values_stay_sealed_and_signing_is_a_kind(cast: Cast) -> None:
    identity = Identity.sealed(cast.knee.patient, hospital_number="NM 0042")
    record(identity)
    new = Identity.sealed(cast.knee.patient, hospital_number="NM 0043", given_names="Zwaxvree")
    factories.corrected(
        identity,
        hospital_number_sealed=new.hospital_number_sealed,
        hospital_number_index=new.hospital_number_index,
        given_names_sealed=new.given_names_sealed,
    )
    sign(cast.repair.tear.procedure, cast.surgeon)
    changed, signed = told(Correction.objects.all(), cast.surgeon)
    assert changed.lines == [Line("Hospital number", SEALED, SEALED), Line("Given names", NOTHING, SEALED)]
    assert (signed.kind.label, signed.lines, signed.who) == ("Signed", [], "oak")


def test_answers_of_a_form_are_told_item_by_item(cast: Cast) -> None:
    score = ScoreResponse(knee=cast.knee, answered_on=DAY, instrument="lysholm", items=BEST)
    record(score)
    limp = next(item for item in LYSHOLM.items if item.code == "limp")
    factories.corrected(score, items={**BEST, "limp": limp.allowed[-1]})
    (change,) = told(Correction.objects.all(), cast.surgeon)
    assert change.row == "Lysholm of 1 Oct 2024"
    assert Line(limp.label, str(limp.allowed[0]), str(limp.allowed[-1])) in change.lines
    assert [line.label for line in change.lines] == [limp.label]


def test_what_was_added_is_told_without_what_is_empty(cast: Cast) -> None:
    imaging = Imaging(knee=cast.knee, imaged_on=DAY, modality="mri")
    record(imaging)
    correct(
        ImagingFinding(imaging=imaging, tear=cast.repair.tear, extrusion_mm=Decimal("2.5")),
        act=Act(cast.surgeon, "later"),
    )
    (change,) = told(Correction.objects.all(), cast.surgeon)
    assert change.row == "Longitudinal-vertical tear, medial meniscus (imaging of 1 Oct 2024)"
    assert change.lines == [Line("Extrusion (mm)", "", "2.5")]


def test_more_corrections_take_no_more_queries(cast: Cast) -> None:
    def corrected_in_every_way(day: int) -> None:
        look = SecondLook(knee=cast.knee, looked_on=date(2024, 10, day), reason="symptoms")
        record(look)
        correct(SecondLookFinding(look=look, tear=cast.repair.tear), act=Act(cast.surgeon, "added"))
        factories.corrected(look, reason="staged")
        factories.corrected(cast.repair, rasped=not cast.repair.rasped)
        factories.corrected(cast.repair.tear.procedure, first_assistant=cast.oak if day % 2 else None)

    counts = []
    for days in (range(1, 2), range(3, 20, 2)):
        for day in days:
            corrected_in_every_way(day)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            told(Correction.objects.all(), cast.surgeon)
        counts.append(len(queries))
    assert counts[0] == counts[1]
