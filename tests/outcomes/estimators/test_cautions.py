"""Each caution at its boundary: silent just on the safe side of its limit, said just beyond it."""

from collections.abc import Callable
from inspect import getmembers, isfunction

import pytest

from outcomes.estimators import cautions
from outcomes.estimators.cautions import Caution
from outcomes.estimators.comparison import crossing
from outcomes.estimators.survival import SurvivalCurve, kaplan_meier

BOUNDARIES: list[tuple[str, Callable[[], Caution | None], Callable[[], Caution | None]]] = [
    ("few_at_risk", lambda: cautions.few_at_risk(10), lambda: cautions.few_at_risk(9)),
    (
        "few_at_first_failure",
        lambda: cautions.few_at_first_failure(10),
        lambda: cautions.few_at_first_failure(9),
    ),
    ("few_events", lambda: cautions.few_events(30, 3), lambda: cautions.few_events(29, 3)),
    (
        "non_proportional",
        lambda: cautions.non_proportional("age", 0.05),
        lambda: cautions.non_proportional("age", 0.0499),
    ),
    ("clustered", lambda: cautions.clustered(1), lambda: cautions.clustered(2)),
    (
        "informative_looks",
        lambda: cautions.informative_looks(80, 100),
        lambda: cautions.informative_looks(79, 100),
    ),
    (
        "incomplete_follow_up",
        lambda: cautions.incomplete_follow_up(0.8),
        lambda: cautions.incomplete_follow_up(0.7999),
    ),
    ("ceiling", lambda: cautions.ceiling(15, 100), lambda: cautions.ceiling(16, 100)),
    ("counts_only", lambda: cautions.counts_only(5), lambda: cautions.counts_only(4)),
    ("few_repairs", lambda: cautions.few_repairs(0), lambda: cautions.few_repairs(1)),
    ("over_dispersed", lambda: cautions.over_dispersed(0.05), lambda: cautions.over_dispersed(0.0499)),
    (
        "below_measurement_error",
        lambda: cautions.below_measurement_error(14.6, 14.6),
        lambda: cautions.below_measurement_error(10.9, 14.6),
    ),
    ("few_clusters", lambda: cautions.few_clusters(20), lambda: cautions.few_clusters(19)),
    ("out_of_reach", lambda: cautions.out_of_reach(0, 40), lambda: cautions.out_of_reach(1, 40)),
]


@pytest.mark.parametrize(("code", "silent", "said"), BOUNDARIES, ids=[code for code, _, _ in BOUNDARIES])
def test_boundary(
    code: str, silent: Callable[[], Caution | None], said: Callable[[], Caution | None]
) -> None:
    assert silent() is None
    caution = said()
    assert caution is not None
    assert caution.code == code
    assert not caution.sentence[0].islower()
    assert caution.sentence.endswith(".")


def curve(first_day: int, second_day: int) -> SurvivalCurve:
    """A hundred repairs, of which so many fail on day 1 and on day 2; the rest are followed to day 3."""
    failures = {1: first_day, 2: second_day}
    time = [*failures, 3]
    return kaplan_meier(time, [1, 1, 0], [*failures.values(), 100 - first_day - second_day])


def test_crossing_curves_at_the_boundary() -> None:
    # Two points of a hundred apart each way, and one point the second way.
    assert crossing(curve(2, 0), curve(0, 4))
    assert not crossing(curve(2, 0), curve(0, 3))
    assert cautions.crossing_curves("zone 1", "zone 2") == Caution(
        "crossing_curves",
        "The curves of zone 1 and zone 2 cross, so one number for their difference misleads.",
    )


def test_nothing_to_caution_about() -> None:
    assert cautions.few_events(0, 0) is None
    assert cautions.informative_looks(0, 40) is None
    assert cautions.incomplete_follow_up(None) is None
    assert cautions.ceiling(0, 0) is None


def test_every_caution_has_a_boundary_here() -> None:
    # Three have no number of their own: what a fit says of itself; test_path.py makes them happen.
    of_a_fit = {"nobody_twice", "not_converged", "patients_alike"}
    known = {code for code, _, _ in BOUNDARIES} | of_a_fit | {"crossing_curves"}
    made_here = getmembers(cautions, lambda made: isfunction(made) and made.__module__ == cautions.__name__)
    assert {name for name, _ in made_here} == known
