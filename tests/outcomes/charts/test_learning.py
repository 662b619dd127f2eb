"""Blocks of repairs: however many there are, the names along the axis stay few enough to be read."""

from datetime import date

import pytest

from outcomes.charts.learning import MOST_NAMED, MOST_NAMED_NARROW, learning_figure
from outcomes.charts.whose import YOURS
from outcomes.estimators.rates import proportion
from outcomes.own.learning import BLOCK, Block, Learning
from tests.outcomes.charts.generated import rows

DAY = date(2021, 3, 1)


def blocks(number: int) -> Learning:
    def block(first: int) -> Block:
        return Block(first, first + BLOCK - 1, DAY, DAY, proportion(2, BLOCK), 1.5)

    return Learning(DAY, 0, tuple(block(1 + BLOCK * place) for place in range(number)))


@pytest.mark.parametrize("number", [1, 4, 12, 13, 35, 400])
def test_names_along_the_axis(number: int) -> None:
    plot = learning_figure(blocks(number), rows().context(), None, YOURS).plot
    for axis, most in (
        (plot["layout"]["xaxis"], MOST_NAMED),
        (plot["layout_narrow"]["xaxis"], MOST_NAMED_NARROW),
    ):
        assert axis["ticktext"][0] == "1-20"
        assert min(number, most // 2) <= len(axis["ticktext"]) <= most
        assert len(axis["tickvals"]) == len(axis["ticktext"])
    assert len(plot["data"][0]["x"]) == number
