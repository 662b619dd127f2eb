"""What if the lost fared worse: bounds and tipping point from the record, by hand."""

from datetime import date
from math import inf, log

import pytest

from outcomes.analyses.lost import ENDED_OTHERWISE, PUBLISHED_CODE, lost_result
from outcomes.published import published
from tests import factories
from tests.outcomes.analyses.counting import of_rows, of_the_record

# One of twenty fails, ten are lost together, one of those left fails later.
ROWS = [(100, "failed"), *[(200, "censored")] * 10, (500, "failed"), *[(900, "censored")] * 8]
# One of forty fails, fifteen are lost together, two of the 24 left fail later.
FORTY = [(100, "failed"), *[(200, "censored")] * 15, *[(500, "failed")] * 2, *[(900, "censored")] * 22]
FORTY_LOST = [False] + [True] * 15 + [False] * 24
FOLLOWED = [(300, "failed"), *[(900, "censored")] * 19]


@pytest.fixture
def twenty(cast):
    """ROWS on record; the cast's own repair is the eleventh lost, known only on its own day."""
    for day, outcome in ROWS:
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak))
        (factories.a_failure if outcome == "failed" else factories.a_contact)(repair, day)


def test_bounds_from_the_record_are_as_by_hand(twenty):
    result = lost_result(*of_the_record())
    assert (result.at, result.lost, result.bounds.n, result.bounds.events) == (730, 11, 21, 2)
    # By hand: on day 0 one of 21 leaves; 1 of 20 fails; 19 when ten leave; 1 of the 9 left fails.
    followed, failed, never = (
        result.bounds.as_followed,
        result.bounds.lost_failed,
        result.bounds.lost_never_failed,
    )
    assert followed.survival == pytest.approx(19 / 20 * 8 / 9, rel=1e-12)
    assert failed.survival == pytest.approx(8 / 21, rel=1e-12)
    assert never.survival == pytest.approx(19 / 21, rel=1e-12)
    assert (followed.at_risk, failed.at_risk, never.at_risk) == (8, 8, 19)


def test_nobody_is_lost_who_was_operated_on_too_lately_to_be(twenty):
    result = lost_result(*of_the_record(closed_on=date(2026, 2, 28)))
    assert result.lost == 0


def test_the_tipping_ratio_brings_failures_to_the_published_share():
    """All are lost on one day: of those standing then 24 are followed, 15 have the hazard raised."""
    tipping = lost_result(*of_rows(*FORTY, lost=FORTY_LOST)).tipping
    stays = 22 / 24  # of those standing on the day of loss
    by_hand = log((40 * 0.85 - 24 * stays) / 15) / log(stays)
    assert tipping.survival == pytest.approx(39 / 40 * stays, rel=1e-12)
    assert tipping.worst == pytest.approx(22 / 40, rel=1e-12)
    assert tipping.ratio == pytest.approx(by_hand, rel=1e-9)


@pytest.mark.parametrize(
    ("rows", "lost", "holds", "ratio"),
    [
        (ROWS, [False] + [True] * 10 + [False] * 9, False, None),
        ([(100, "censored"), *FOLLOWED], [True] + [False] * 20, True, None),
        ([(100, "failed"), *[(200, "censored")] * 19, (900, "censored")], [0] + [1] * 19 + [0], True, inf),
        ([(100, "failed"), *[(200, "censored")] * 9], [False] * 10, None, None),
    ],
    ids=["exceeded as followed", "held whatever became of one", "held unless at once", "not two years yet"],
)
def test_where_no_ratio_tips(rows, lost, holds, ratio):
    tipping = lost_result(*of_rows(*rows, lost=[bool(gone) for gone in lost])).tipping
    assert (tipping.holds, tipping.ratio) == (holds, ratio)


def test_a_followed_cohort_without_losses_has_nothing_to_tip():
    result = lost_result(*of_rows(*FOLLOWED))
    assert result.lost == 0
    assert result.tipping.holds is True
    assert result.tipping.ratio is None
    assert result.bounds.as_followed == result.bounds.lost_failed == result.bounds.lost_never_failed


def test_the_threshold_is_the_published_share_and_comes_with_its_source():
    figure = next(figure for figure in published() if figure.code == PUBLISHED_CODE)
    result = lost_result(*of_rows(*FOLLOWED))
    assert result.published == figure
    # Ow et al. Arthroscopy 2021;37(12), abstract: 15 % (11 to 20) at 2 to 3 years.
    assert (figure.share, figure.lower, figure.upper, figure.from_years) == (0.15, 0.11, 0.20, 2)
    assert result.tipping.threshold == pytest.approx(0.85, rel=1e-12)


@pytest.mark.parametrize("repairs", [0, 4])
def test_of_fewer_than_five_nothing_is_bounded(repairs):
    result = lost_result(*of_rows(*FOLLOWED[:repairs]))
    assert (result.bounds, result.tipping) == (None, None)
    assert "Fewer than 5 repairs: counts only." in result.cautions


def test_what_ended_otherwise_is_not_lost_and_is_told():
    assert ENDED_OTHERWISE in lost_result(*of_rows(*FOLLOWED, (50, "died"))).cautions
    assert ENDED_OTHERWISE not in lost_result(*of_rows(*FOLLOWED)).cautions


def test_late_entries_and_patients_with_two_repairs_are_allowed_for():
    rows, patients = [*FORTY, (600, "failed"), (900, "censored")], [None] * 40 + [17, 17]
    entry = [0] * 40 + [150, 0]
    result = lost_result(*of_rows(*rows, lost=[*FORTY_LOST, False, False], entry=entry, patient=patients))
    # By hand: 1 of 41; 2 of 26, the late one among them; 1 of 24.
    assert result.bounds.as_followed.survival == pytest.approx(40 / 41 * 24 / 26 * 23 / 24, rel=1e-12)
    alone = lost_result(*of_rows(*rows, lost=[*FORTY_LOST, False, False], entry=entry))
    assert result.bounds.as_followed.lower != alone.bounds.as_followed.lower
