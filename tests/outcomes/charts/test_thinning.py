"""What is not drawn of a step line is too small to be seen, whatever the line."""

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.charts.small_multiples import LEAST
from outcomes.charts.step_curves import drawn
from outcomes.charts.step_plot import AXIS, step_plot
from outcomes.charts.steps import CURVES_PX, look
from outcomes.charts.thinning import DEVICE_PIXELS, FEW, half_a_pixel, thinned
from outcomes.estimators.follow_up import reverse_kaplan_meier
from outcomes.estimators.survival import LANDMARK_DAYS, kaplan_meier
from outcomes.results import Group
from outcomes.wording import DAYS_PER_MONTH

HALF = half_a_pixel(CURVES_PX, AXIS[1] - AXIS[0])
# As wide a plot area as any drawing has in device pixels.
WIDTH_PX = 3600


def read(points, months):
    """The values of a step line on months, shape (months, values)."""
    place = np.searchsorted([month for month, *_ in points], months, side="right") - 1
    return np.array([values for _, *values in points])[place]


@st.composite
def falling(draw):
    """A curve of many steps, most of them small, as of very many repairs."""
    size = draw(st.integers(1, 3650))
    dice = np.random.default_rng(draw(st.integers(0, 2**32)))
    fall = dice.exponential(1, size) ** draw(st.integers(1, 4))
    left = 1 - np.cumsum(fall) / fall.sum() * draw(st.floats(0.001, 1))
    months = np.sort(dice.choice(np.arange(1, 12001), size, replace=False)) / 100
    return [(0.0, 1.0), *zip(months.tolist(), left.tolist(), strict=True)]


@given(falling(), st.sampled_from([HALF, LEAST]))
@settings(deadline=None, derandomize=True)
def test_no_curve_moves_by_more_than_half_a_pixel(points, least):
    shown = thinned(points, least)
    months = np.union1d(np.linspace(0, points[-1][0], WIDTH_PX), [month for month, _ in points])
    assert np.abs(read(shown, months) - read(points, months)).max() <= least
    assert shown[0] == points[0]
    assert shown[-1] == points[-1]
    assert set(shown) <= set(points)
    assert [share for _, share in shown] == sorted((share for _, share in shown), reverse=True)
    assert thinned(shown, least) == shown
    if len(points) <= FEW:
        assert shown == points


@given(falling())
@settings(deadline=None, derandomize=True)
def test_every_step_that_can_be_seen_is_drawn(points):
    shown = set(thinned(points, HALF))
    seen = [b for a, b in pairwise(points) if a[1] - b[1] > HALF]
    assert shown.issuperset(seen)


def test_both_limits_count_and_what_is_to_be_kept_is_kept():
    points = [(float(month), 0.5, 0.5 + month / 1000) for month in range(300)]
    shown = thinned(points, 0.01, kept={7.0})
    assert (7.0, 0.5, 0.507) in shown
    months = np.arange(300.0)
    assert np.abs(read(shown, months) - read(points, months)).max() <= 0.01
    assert 25 <= len(shown) <= 32


def test_a_pixel_of_the_largest_drawing():
    assert half_a_pixel(340, 1.02) * 2 * 340 * DEVICE_PIXELS == 1.02
    assert DEVICE_PIXELS * CURVES_PX >= 1000


def test_a_curve_of_very_many_repairs_is_drawn_with_what_can_be_seen():
    dice = np.random.default_rng(1)
    days, failed = dice.integers(1, 3650, 200_000), dice.random(200_000) < 0.1
    curve = kaplan_meier(days, failed)
    group = Group("all", "All", curve, reverse_kaplan_meier(days, failed), 1.0, 0)
    plot = step_plot([drawn(group, look(0))])
    [line] = [trace for trace in plot["data"] if trace.get("opacity") == 1.0]
    shares = [1.0, *curve.survival]
    months = [0.0, *(round(day / DAYS_PER_MONTH, 2) for day in curve.time)]
    every = list(zip(months, shares, strict=True))
    shown = list(zip(line["x"], line["y"], strict=True))
    assert len(shown) < len(every) / 3
    assert set(shown) <= set(every)
    for day in LANDMARK_DAYS.values():
        assert curve.at(day).survival in line["y"]
