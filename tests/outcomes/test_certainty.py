"""Agreement of second readers worked by hand, what print says of it, and how often the database is asked."""

import json
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from outcomes.certainty import FieldAgreement, clinic_and_look, imaging_and_look, readers
from outcomes.published_agreement import AGREEMENTS, published_agreement
from registry.models import Knee, Unit
from tests import factories
from tests.conftest import Cast
from tests.outcomes.findings import LOOK_DAY, a_look, a_reading, a_visit, repaired, units


def of_field(name: str) -> FieldAgreement:
    return {each.field: each for each in readers(units())}[name]


def test_kappa_by_hand(cast: Cast) -> None:
    elm = factories.a_surgeon(cast.unit, "elm")
    factories.withdrawn(cast.repair.tear.procedure)
    for (own, other), n in {("RR", "RR"): 8, ("RR", "RW"): 2, ("RW", "RR"): 4, ("RW", "RW"): 6}.items():
        for repair in repaired(cast, n, vascular_zone=own):
            a_reading(repair, elm, vascular_zone=other)
    found = of_field("vascular_zone")
    assert found.kappa is not None
    # Agree 14 of 20; by chance (10 x 12 + 10 x 8) / 400 = 0.5; so (0.7 - 0.5) / 0.5. Cohen J. Educ Psychol
    # Meas 1960;20:37-46. Wilson 48.1 to 85.5 % of 14/20 (from the formula).
    assert found.kappa.estimate == pytest.approx(0.4)
    assert found.kappa.table == ((8, 2), (4, 6))
    agreement = found.kappa.agreement
    assert (agreement.x, agreement.n) == (14, 20)
    assert [round(100 * (limit or 0), 1) for limit in (agreement.lower, agreement.upper)] == [48.1, 85.5]
    # All tears are longitudinal to both: chance explains all.
    pattern = of_field("pattern").kappa
    assert pattern is not None
    assert (pattern.agreement.x, pattern.estimate) == (20, None)


def test_only_first_readings_that_stand_and_fields_the_surgeon_recorded(cast: Cast) -> None:
    elm, ash = (factories.a_surgeon(cast.unit, code) for code in ("elm", "ash"))
    taken_back = a_reading(cast.repair, elm, vascular_zone="WW")
    a_reading(cast.repair, ash, vascular_zone="RR")
    before = of_field("vascular_zone").kappa
    assert before is not None
    assert before.labels == ("Red-red", "White-white")
    factories.withdrawn(taken_back)
    found = of_field("vascular_zone").kappa
    assert found is not None
    assert (found.n, found.agreement.x, found.labels) == (1, 1, ("Red-red",))
    depth = of_field("depth")
    assert (depth.n, depth.kappa, depth.unrecorded) == (0, None, 1)


def test_only_tears_of_these_units_and_no_surgeon(cast: Cast) -> None:
    a_reading(cast.repair, factories.a_surgeon(cast.other_unit, "elm"))
    elsewhere = readers(Unit.objects.filter(pk=cast.other_unit.pk))
    assert {each.n + each.unrecorded for each in elsewhere} == {0}
    told = repr(readers(units())).lower()
    assert "red-red" in told
    assert "oak" not in told
    assert "elm" not in told


def test_a_unit_may_ask_for_larger_numbers(cast: Cast) -> None:
    elm = factories.a_surgeon(cast.unit, "elm")
    for repair in repaired(cast, 5):
        a_reading(repair, elm)
    assert of_field("pattern").is_shown
    factories.corrected(cast.unit, smallest_count_shown=6)
    assert not of_field("pattern").is_shown


def test_counted_by_the_database(cast: Cast) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            readers(units()), clinic_and_look(units()), imaging_and_look(units())
        return len(captured)

    elm = factories.a_surgeon(cast.unit, "elm")
    few = queries()
    for repair in repaired(cast, 10):
        a_reading(repair, elm)
        a_visit(repair, LOOK_DAY - 10)
        a_look(repair)
    assert queries() == few <= 25
    assert Knee.objects.count() == 11


# --- print --------------------------------------------------------------------------------------


def test_what_print_says() -> None:
    # Anderson et al. AJSM 2011;39:926-32, abstract: per cent agreement and kappa of 8 surgeons on 37 videos.
    expected = {
        "pattern": (79, 0.72),
        "depth": (88, 0.52),
        "radial_location": (68, 0.46),
        "rim_zone": (54, 0.25),
        "tissue": (72, 0.47),
    }
    found = published_agreement()
    assert {field: (round(100 * each.agreement), each.kappa) for field, each in found.items()} == expected
    assert {(each.cases, each.readers) for each in found.values()} == {(37, 8)}
    assert all("2011;39:926-32" in each.citation for each in found.values())
    assert min(found.values(), key=lambda each: each.kappa).field == "rim_zone"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"citation": ""}, "citation is missing"),
        ({"kappa": "1.2"}, "kappa is 1.2; it lies between -1 and 1"),
        ({"kappa": 0.5}, "give it as text"),
        ({"agreement_percent": "101"}, "between 0 and 100"),
        ({"cases": 0}, "cases is missing"),
        ({"readers": "8"}, "whole number"),
        ({"field": "length"}, "field is length; choose one of"),
        ({"colour": "red"}, "colour is no field"),
        ({"field": "depth"}, "field depth has an entry already"),
    ],
)
def test_a_bad_entry_is_refused_by_name(tmp_path: Any, change: dict[str, Any], words: str) -> None:
    entries = json.loads(AGREEMENTS.read_text(encoding="utf-8"))
    entries[0] |= change
    path = tmp_path / "agreement.json"
    path.write_text(json.dumps(entries), encoding="utf-8")
    with pytest.raises(ValueError, match=words) as refusal:
        published_agreement(path)
    assert "Entry isakos_" in str(refusal.value)
