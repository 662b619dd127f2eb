"""Clinic and imaging beside the second look, worked by hand."""

import pytest

from outcomes.certainty import LookedAt, clinic_and_look, imaging_and_look
from outcomes.certainty.pairs import looks
from registry.models import SecondLook
from registry.rules.healing import second_look_class
from tests import factories
from tests.conftest import Cast
from tests.outcomes.findings import LOOK_DAY, a_look, a_visit, an_image, repaired, units


def table_of(found: LookedAt, code: str = "") -> tuple[int, int, int, int]:
    """Found healed and healed, found healed and not, found not healed and healed, neither."""
    each = next(each for each in found.findings if each.code == (code or each.code))
    positive, negative = each.diagnostic.sensitivity, each.diagnostic.specificity
    return positive.x, negative.n - negative.x, positive.n - positive.x, negative.x


def test_signs_against_the_look_by_hand(cast: Cast) -> None:
    swollen = {"effusion": "slight"}
    told = [({}, 100, 6), (swollen, 100, 2), ({}, 30, 1), (swollen, 30, 4)]
    for signs, thickness, n in told:
        for repair in repaired(cast, n):
            a_visit(repair, LOOK_DAY - 10, **signs)
            a_look(repair, thickness=thickness)
    found = clinic_and_look(units())
    assert table_of(found, "signs") == table_of(found, "effusion") == (6, 1, 2, 4)
    # No knee was tender: all are found healed by that.
    assert table_of(found, "tenderness") == (8, 5, 0, 0)
    signs_found = found.findings[0]
    # Agree 10 of 13; by chance (7 x 8 + 6 x 5) / 169 = 86/169; so (130 - 86) / (169 - 86).
    assert signs_found.kappa is not None
    assert signs_found.kappa.estimate == pytest.approx(44 / 83)
    predictive = (
        signs_found.diagnostic.positive_predictive_value,
        signs_found.diagnostic.negative_predictive_value,
    )
    assert [(share.x, share.n) for share in predictive] == [(6, 7), (4, 6)]
    assert (found.tears, found.knees, found.looked_at, found.repairs) == (13, 13, 13, 14)
    assert "Schoenecker et al. AJSM 2025;53:1750-60" in found.cautions[0]


@pytest.mark.parametrize(
    ("visit_day", "look_day", "counts"),
    [
        (182, 300, False),  # a day before signs can be read
        (183, 300, True),
        (LOOK_DAY, LOOK_DAY, True),
        (LOOK_DAY + 1, LOOK_DAY, False),
        (LOOK_DAY, LOOK_DAY + 183, True),
        (LOOK_DAY, LOOK_DAY + 184, False),
    ],
)
def test_the_days_between(cast: Cast, visit_day: int, look_day: int, counts: bool) -> None:
    a_visit(cast.repair, visit_day)
    a_look(cast.repair, look_day)
    assert clinic_and_look(units()).tears == counts


def test_the_last_telling_visit_before_the_first_look(cast: Cast) -> None:
    a_visit(cast.repair, LOOK_DAY - 60, mcmurray=True)
    a_visit(cast.repair, LOOK_DAY - 30)
    a_visit(cast.repair, LOOK_DAY - 5, mcmurray=None)  # tells nothing
    a_look(cast.repair)
    a_look(cast.repair, LOOK_DAY + 20, thickness=0)
    found = clinic_and_look(units())
    assert found.tears == 1
    assert table_of(found, "signs") == (1, 0, 0, 0)


def test_signs_soon_after_another_operation_are_not_read(cast: Cast) -> None:
    factories.a_failure(cast.repair, LOOK_DAY - 100, action="none")
    a_visit(cast.repair, LOOK_DAY - 10)
    a_look(cast.repair)
    assert clinic_and_look(units()).tears == 0


def test_withdrawn_rows_do_not_count(cast: Cast) -> None:
    visit = a_visit(cast.repair, LOOK_DAY - 10)
    a_look(cast.repair)
    factories.withdrawn(visit)
    assert clinic_and_look(units()).tears == 0
    a_visit(cast.repair, LOOK_DAY - 20)
    assert clinic_and_look(units()).tears == 1
    factories.withdrawn(SecondLook.objects.get())
    assert (clinic_and_look(units()).tears, clinic_and_look(units()).looked_at) == (0, 0)


def test_two_tears_of_a_knee_are_two_tears_and_one_knee(cast: Cast) -> None:
    second = factories.a_repair(cast.repair.tear.procedure, meniscus="lateral")
    a_visit(cast.repair, LOOK_DAY - 10)
    a_look(cast.repair)
    a_look(second, thickness=0)
    found = clinic_and_look(units())
    assert (found.tears, found.knees, table_of(found, "signs")) == (2, 1, (1, 1, 0, 0))
    assert any("2 tears in 1 knee" in caution for caution in found.cautions)


def test_imaging_against_the_look_by_hand(cast: Cast) -> None:
    told = [("healed", 100, 3), ("partly", 60, 2), ("failed", 100, 1), ("partly", 20, 1), ("failed", 20, 5)]
    for healed, thickness, n in told:
        for repair in repaired(cast, n):
            an_image(repair, LOOK_DAY - 20, healed)
            a_look(repair, thickness=thickness)
    early, named_later = repaired(cast, 2)
    an_image(early, 182, "healed")
    a_look(early, 300)
    an_image(named_later, LOOK_DAY - 20, "failed")
    an_image(named_later, LOOK_DAY - 10, "")  # names no class
    a_look(named_later, thickness=20)
    found = imaging_and_look(units())
    assert table_of(found) == (5, 1, 1, 6)
    assert (found.tears, found.knees) == (13, 13)


@pytest.mark.parametrize("limit", [50, 40])
def test_the_look_is_read_as_the_pure_rule_reads_it(cast: Cast, limit: int) -> None:
    factories.corrected(cast.unit, failed_cleft_from_percent=limit)
    told = [
        (thickness, length)
        for thickness in (None, 0, 50, 51, 60, 61, 90, 91, 100)
        for length in (None, 99, 100)
    ]
    for repair, (thickness, length) in zip(repaired(cast, len(told)), told, strict=True):
        a_look(repair, thickness=thickness, healed_length_percent=length)
    read = {
        (thickness, length): healed
        for thickness, length, healed in looks(units()).values_list(
            "healed_thickness_percent", "healed_length_percent", "healed"
        )
    }
    assert len(read) == 24
    for (thickness, length), healed in read.items():
        assert healed == (second_look_class(thickness, length, 10, limit) != "failed")
