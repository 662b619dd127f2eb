"""The score test by patient, straight from counts, against the fitted Cox model, which is held against R."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.estimators.clustered_score import robust_score
from outcomes.estimators.regression import cox

TABLE = {
    "time": [90, 120, 200, 365, 400, 420, 500, 610, 700, 800, 810, 820],
    "failed": [1, 1, 1, 0, 1, 1, 0, 1, 0, 0, 1, 0],
    "group": ["red", "white"] * 6,
    "cluster": ["a", "a", None, "b", "b", "c", "c", None, "d", "d", "d", None],
    "weights": [1, 2, 3, 1, 1, 1, 1, 4, 1, 1, 1, 2],
}


def by_cox(time, failed, group, cluster, weights, entry=None):
    """A row a repair and the whole model: None where it is refused."""
    rows = pd.DataFrame({"time": time, "failed": failed, "group": group, "cluster": cluster})
    rows = rows.assign(entry=0 if entry is None else entry)
    rows = rows.loc[rows.index.repeat(weights)].reset_index(drop=True)
    alone = pd.Series([f"alone {row}" for row in rows.index])
    rows["cluster"] = rows["cluster"].astype(object).where(rows["cluster"].notna(), alone).astype(str)
    try:
        fit = cox(
            rows, duration="time", event="failed", covariates=["group"], cluster="cluster", entry="entry"
        )
    except ValueError:
        return None
    return fit.robust_score


def hold_together(table):
    fitted, counted = by_cox(**table), robust_score(**table)
    if fitted is None or counted is None:
        assert counted is fitted
        return
    assert counted.df == fitted.df
    if fitted.statistic is None or counted.statistic is None:
        assert counted.statistic is fitted.statistic
        return
    assert counted.statistic == pytest.approx(fitted.statistic, rel=1e-9, abs=1e-12)
    assert counted.p == pytest.approx(fitted.p, rel=1e-9)


def test_ties_weights_and_patients():
    hold_together(TABLE)


def test_late_entries():
    hold_together({**TABLE, "entry": [0, 0, 100, 0, 200, 0, 300, 0, 600, 0, 420, 0]})


def test_numbers_name_patients_as_well():
    numbers = np.array([1, 1, np.nan, 2, 2, 3, 3, np.nan, 4, 4, 4, np.nan])
    assert robust_score(**{**TABLE, "cluster": numbers}) == robust_score(**TABLE)


def test_rows_of_weight_0_do_not_count():
    more = {name: [*column, column[0]] for name, column in TABLE.items()}
    more["weights"][-1], more["group"][-1] = 0, "none"
    assert robust_score(**more) == robust_score(**TABLE)


@pytest.mark.parametrize(
    "change",
    [
        pytest.param({"failed": [0] * 12}, id="no failure"),
        pytest.param({"failed": [1] * 4 + [0] * 8, "weights": [1] * 12}, id="fewer failures than five"),
        pytest.param({"group": ["red"] * 12}, id="one group"),
        pytest.param({"group": ["red"] * 11 + ["white"]}, id="a group without a failure"),
        pytest.param({"group": ["red"] * 6 + ["white"] * 6, "failed": [1] * 6 + [0] * 6}, id="one fails"),
        pytest.param({"cluster": ["a"] * 12}, id="one patient"),
    ],
)
def test_none_where_the_model_is_refused(change):
    table = {**TABLE, **change}
    assert robust_score(**table) is None
    assert by_cox(**table) is None


@st.composite
def tables(draw):
    row = st.tuples(
        st.integers(1, 12),
        st.booleans(),
        st.sampled_from("abc"),
        st.sampled_from([None, "p", "q", "r", "s"]),
        st.integers(1, 3),
        st.integers(0, 11),
    )
    rows = draw(st.lists(row, min_size=12, max_size=40))
    time, failed, group, cluster, weights, entry = map(list, zip(*rows, strict=True))
    late = [value if value < end else 0 for value, end in zip(entry, time, strict=True)]
    return {
        "time": time,
        "failed": failed,
        "group": group,
        "cluster": cluster,
        "weights": weights,
        "entry": late if draw(st.booleans()) else [0] * len(time),
    }


@given(tables())
@settings(max_examples=40, deadline=None, derandomize=True)
def test_any_table_as_the_fitted_model(table):
    hold_together(table)
