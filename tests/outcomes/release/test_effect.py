"""Survival of a released table at whole years, by hand and against R."""

import json
from pathlib import Path

import pandas as pd
import pytest

from outcomes.release.effect import effect, landmarks
from outcomes.release.frozen import Effect, Landmark

pytestmark = pytest.mark.any_engine

AML = json.loads((Path(__file__).parents[3] / "fixtures/reference/aml.json").read_text())


def repairs(*rows):
    return pd.DataFrame(rows, columns=["days", "failed", "at_risk_from"])


def test_by_hand():
    """Four at risk at the failure on day 100, two at that on day 500; the last was seen on day 800."""
    table = repairs((100, 1, 0), (400, 0, 0), (500, 1, 0), (800, 0, 0))
    assert landmarks(table) == (
        Landmark(1, 3, 1, 0.75),
        Landmark(2, 1, 2, 0.375),
        Landmark(5, 0, 2, None),
    )


def test_a_failure_on_the_day_itself_has_failed_and_is_at_risk():
    assert landmarks(repairs((365, 1, 0), (900, 0, 0)), (1,)) == (Landmark(1, 2, 1, 0.5),)


def test_an_end_on_day_0_counts():
    assert landmarks(repairs((0, 1, 0), (0, 0, 0), (900, 0, 0), (900, 0, 0)), (1,)) == (
        Landmark(1, 2, 1, 0.75),
    )


def test_who_entered_late_is_at_risk_only_after_the_day_of_entry():
    """On day 100 one of two fails; the third enters on that day and is at risk after it."""
    table = repairs((100, 1, 0), (900, 0, 0), (900, 0, 100))
    assert landmarks(table, (1,)) == (Landmark(1, 2, 1, 0.5),)
    # Entered on day 365 itself: not yet at risk then.
    assert landmarks(repairs((900, 0, 0), (900, 0, 365)), (1,)) == (Landmark(1, 1, 0, 1.0),)


def test_an_end_known_at_entry_is_left_out():
    table = repairs((100, 1, 100), (100, 1, 200), (900, 0, 0))
    assert landmarks(table, (1,)) == (Landmark(1, 1, 0, 1.0),)


def test_nobody_at_risk_is_an_empty_table():
    nobody = tuple(Landmark(year, 0, 0, None) for year in (1, 2, 5))
    assert landmarks(repairs()) == nobody
    assert landmarks(repairs((30, 0, 60))) == nobody


def test_effect_sets_all_permitted_beside_the_released():
    permitted = repairs((100, 1, 0), (900, 0, 0), (900, 0, 0), (900, 0, 0))
    assert effect(permitted, permitted.iloc[1:]) == (
        Effect(1, 0.75, 1.0),
        Effect(2, 0.75, 1.0),
        Effect(5, None, None),
    )


def test_it_is_the_curve_of_r():
    """survival::aml (Miller 1981) as R 4.2.2, survival 3.5-3 gives it, a week told as 28 days."""
    data, curve = AML["data"], AML["expected"]["curves"]["overall"]
    table = pd.DataFrame({"failed": data["status"], "days": data["time"], "at_risk_from": 0})
    table["days"] *= 28
    of_r = dict(zip(curve["time"], curve["survival"], strict=True))
    at_risk = dict(zip(curve["time"], curve["at_risk"], strict=True))
    # The last time on or before each landmark, and the next one after it.
    for found, last, following in zip(landmarks(table), (13, 23, 48), (16, 27, 161), strict=True):
        assert found.survival == pytest.approx(of_r[last], abs=1e-14)
        assert found.at_risk == at_risk[following]
        assert found.failures == sum(
            n for n, time in zip(curve["events_at"], of_r, strict=True) if time <= last
        )
