"""No hidden count of a table can be worked out by an attacker with the equations of the margins."""

from functools import partial

import numpy as np
import pytest
from scipy.optimize import linprog

from outcomes.release.counts.suppression import HIDDEN, CannotSuppressError, suppress, with_margins

TABLES = 500


def equations_of(shown, hidden):
    """Rows and columns add up to their margins: a matrix over the hidden counts, and its right side."""
    place = {cell: number for number, cell in enumerate(hidden)}
    rows, columns = shown.shape
    sums = [([(row, column) for column in range(columns - 1)], (row, columns - 1)) for row in range(rows)]
    sums += [([(row, column) for row in range(rows - 1)], (rows - 1, column)) for column in range(columns)]
    matrix, right = np.zeros((len(sums), len(hidden))), np.zeros(len(sums))
    for line, (parts, total) in enumerate(sums):
        for cell, sign in [*((part, 1) for part in parts), (total, -1)]:
            if cell in place:
                matrix[line, place[cell]] += sign
            else:
                right[line] -= sign * shown[cell]
    return matrix, right


def recovered(shown):
    """Hidden counts that have one value only, by linear programmes written for this test.

    Variables are the hidden counts, at least 1. A count is safe once two tables that fit differ in it; for
    one still unsafe the least and greatest value are asked for. The matrix is that of a network, so both are
    whole numbers (Hoffman AJ, Kruskal JB 1956; from memory).
    """
    hidden = [(int(row), int(column)) for row, column in np.argwhere(shown == HIDDEN)]
    if not hidden:
        return []
    matrix, right = equations_of(shown, hidden)
    # An upper limit, so that none is without end: nothing hidden is larger than the whole, which is shown.
    solve = partial(linprog, A_eq=matrix, b_eq=right, bounds=(1, shown[-1, -1]))
    first = solve(np.ones(len(hidden))).x
    is_safe = np.zeros(len(hidden), dtype=bool)
    for number in range(len(hidden)):
        for sign in (1, -1):
            if not is_safe[number]:
                goal = sign * np.eye(len(hidden))[number]
                is_safe |= abs(solve(goal).x - first) > 0.5
    return [cell for cell, safe in zip(hidden, is_safe, strict=True) if not safe]


def random_tables():
    chance = np.random.default_rng(20261126)
    for _ in range(TABLES):
        rows, columns = chance.integers(2, 7), chance.integers(2, 6)
        mean = chance.choice([1.5, 4, 12, 40])
        table = chance.poisson(mean * chance.gamma(0.7, size=(rows, columns)))
        table[chance.random(table.shape) < chance.choice([0, 0.3])] = 0
        yield table, int(chance.choice([2, 3, 5, 10]))


def test_an_attacker_recovers_no_hidden_count_of_500_tables():
    hidden = refused = 0
    for table, limit in random_tables():
        try:
            safe = suppress(table, limit)
        except CannotSuppressError:
            refused += 1
            continue
        hidden += int(safe.hidden.sum())
        full = with_margins(table)
        assert recovered(safe.shown) == []
        assert not ((safe.shown > 0) & (safe.shown < limit)).any()
        assert (safe.shown[~safe.hidden] == full[~safe.hidden]).all()
        assert not safe.hidden[full == 0].any()
    assert hidden > 2000
    assert refused < TABLES / 5


def test_the_attack_finds_what_is_hidden_badly():
    table = np.array([[3, 20, 9], [14, 25, 17]])
    shown = np.where(with_margins(table) < 5, HIDDEN, with_margins(table))
    assert recovered(shown) == [(0, 0)]
    assert recovered(suppress(table, 5).shown) == []
    # The extra ones are cells; margins stay as long as cells will do.
    assert not suppress(table, 5).hidden[-1, :].any()


def test_a_count_of_few_patients_is_hidden_however_many_repairs_they_have():
    table = np.array([[8, 20], [30, 40]])
    people = with_margins(table)
    people[0, 0] = 4
    assert not suppress(table, 5).hidden.any()
    assert suppress(table, 5, people).hidden[:2, :2].all()


def test_ones_that_add_up_to_what_is_shown_take_more_with_them():
    """Two hidden counts of 1 in a row of 2 tell themselves; so the margin, being small, goes as well."""
    table = np.array([[1, 1, 0], [12, 15, 18], [22, 11, 31]])
    safe = suppress(table, 5)
    assert safe.hidden[0].tolist() == [True, True, False, True]
    assert recovered(safe.shown) == []


@pytest.mark.parametrize(
    ("table", "limit", "words"),
    [
        ([[1, 2], [0, 1]], 5, "The table holds 4, fewer than the limit of 5"),
        ([[0, 0], [0, 0]], 1, "The table holds 0"),
        # Every count is 1, and the whole is shown: whatever is hidden, three times at least 1 makes 3.
        ([[1], [1], [1]], 3, "could be worked out from the others"),
    ],
)
def test_what_cannot_be_made_safe_is_refused_with_the_mend(table, limit, words):
    with pytest.raises(CannotSuppressError, match=words):
        suppress(table, limit)


@pytest.mark.parametrize(
    ("table", "limit", "words"),
    [
        ([1, 2], 5, "rows and columns"),
        ([[1, -2]], 5, "no count"),
        ([[1.5, 2]], 5, "no count"),
        ([[9, 9]], 0, "limit is 0"),
    ],
)
def test_what_is_no_table_is_refused(table, limit, words):
    with pytest.raises(ValueError, match=words):
        suppress(table, limit)
