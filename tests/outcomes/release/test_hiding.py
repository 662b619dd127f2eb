"""Hiding: least loss by brute force, k, l and t by another program, people counted, refusals with names."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pycanon import anonymity as independent

from outcomes.release.hiding import CannotHideError, hide
from outcomes.release.hierarchies import ATTRIBUTES, GIVEN_UP, Attribute, Step, year_attribute
from outcomes.release.lattice import Classes, Lattice
from tests.outcomes.release import hiding_by_hand as by_hand
from tests.reference.conftest import FOLDER

anything = settings(deadline=None, derandomize=True, max_examples=100)


def attribute(code, finest, *steps):
    """An attribute whose steps are given by lists of codes that become one, named by the first of them."""
    between = [Step(str(step), {code: one[0] + "+" for one in step for code in one}) for step in steps]
    return Attribute(code, code, tuple(finest), (*between, Step("all", dict.fromkeys(finest, GIVEN_UP))))


LETTER = attribute("letter", "abcd", ["ab", "c", "d"], ["ab", "cd"])
FIGURE = attribute("figure", "123", ["12", "3"])
COLOUR = attribute("colour", ["red", "blue"])
OPEN = ATTRIBUTES["surgeon"]
FOUR = (LETTER, FIGURE, COLOUR, OPEN)
CODES = [one.code for one in FOUR]

ROW = st.fixed_dictionaries(
    {
        "letter": st.sampled_from("abcd"),
        "figure": st.sampled_from("123"),
        "colour": st.sampled_from(["red", "blue"]),
        "surgeon": st.sampled_from(["oak", "elm"]),
        "patient": st.integers(1, 12).map(str),
        "outcome": st.sampled_from(["failed", "standing"]),
    }
)
ROWS = st.lists(ROW, min_size=1, max_size=30)
NEEDED = st.lists(st.sampled_from(CODES), unique=True, max_size=3)


def table(patients=None, **columns):
    """Rows of these columns, each of another patient unless said, every second one failed."""
    frame = pd.DataFrame(columns)
    people = patients or [f"p{number}" for number in range(len(frame))]
    outcomes = [("failed", "standing")[number % 2] for number in range(len(frame))]
    return frame.assign(patient=people, outcome=outcomes)


def sets_of_rows(released, keys):
    """What each patient of several rows is known by: the combinations of all of them together."""
    people = [own for _, own in released.groupby("patient") if len(own) > 1]
    return [sorted(map(tuple, own[keys].to_numpy())) for own in people]


@anything
@given(ROWS, st.integers(2, 4), st.sampled_from([0.0, 0.05, 0.2, 0.5]), NEEDED)
def test_the_search_finds_what_trying_every_combination_finds(rows, k, share, needed):
    allowed = int(share * len(rows) + 1e-9)
    expected = by_hand.best(rows, FOUR, k, allowed, needed)
    if expected is None:
        with pytest.raises(CannotHideError) as refusal:
            hide(pd.DataFrame(rows), FOUR, k=k, most_suppressed=share, needed=needed)
        assert refusal.value.attributes == by_hand.in_the_way(rows, FOUR, k, allowed, needed)
        return
    node, dropped = expected
    at = list(zip(FOUR, node, strict=True))
    released, hidden = hide(pd.DataFrame(rows), FOUR, k=k, most_suppressed=share, needed=needed)
    assert tuple(level.step for level in hidden.levels) == node
    coarse = [
        {**row, **{one.code: by_hand.coarse(one, row[one.code], step) for one, step in at}} for row in rows
    ]
    assert released.to_dict("records") == [row for n, row in enumerate(coarse) if n not in dropped]
    assert hidden.suppressed == len(dropped)
    assert hidden.patients >= k
    assert hidden.loss == pytest.approx(sum(by_hand.loss(rows, *one) for one in at) / 4, abs=1e-12)
    for code, saved in hidden.suppressed_by:
        without = [len(one.steps) if one.code == code else step for one, step in at]
        assert saved == len(dropped) - len(by_hand.small_rows(rows, FOUR, without, k))
    sets = sets_of_rows(released, CODES)
    alone = sum(sets.count(one) == 1 for one in sets)
    assert (hidden.patients_with_several, hidden.of_them_alone) == (len(sets), alone)


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.data())
def test_predictive_tagging_agrees_with_every_node_on_any_monotone_question(data):
    """Without rows: any losses that rise with each step, any set of nodes that holds all coarser ones."""
    highest = tuple(data.draw(st.lists(st.integers(1, 3), min_size=1, max_size=4)))
    rising = [
        np.cumsum([0, *data.draw(st.lists(st.integers(0, 5), min_size=top, max_size=top))]) for top in highest
    ]
    corners = data.draw(st.lists(st.tuples(*(st.integers(0, top) for top in highest)), max_size=4))
    lattice = Lattice([steps.tolist() for steps in rising], highest)

    def too_small(node):
        return int(not any(all(a >= b for a, b in zip(node, corner, strict=True)) for corner in corners))

    holding = [
        (sum(steps[step] for steps, step in zip(rising, node, strict=True)), sum(node), node)
        for node in lattice.nodes
        if not too_small(node)
    ]
    found = lattice.best(too_small, 0, lambda *_: None)
    assert found == min(holding, default=(0, 0, None))[2]
    assert len(lattice.tried) <= len(lattice.nodes)


def cohort(seed, least=40, most=150):
    """An invented cohort by three attributes: some codes rare, some patients with several repairs."""
    random = np.random.default_rng(seed)
    years = random.choice(range(2010, 2026), 6, replace=False).tolist()
    on_offer = [*ATTRIBUTES.values(), year_attribute(int(random.choice([1, 2, 5])), years)]
    chosen = [on_offer[number] for number in sorted(random.choice(len(on_offer), 3, replace=False))]
    n = int(random.integers(least, most))
    rows = {"patient": [f"p{number}" for number in random.integers(0, n, n)]}
    for one in chosen:
        codes = one.finest or ("oak", "elm", "ash", "yew")
        rows[one.code] = random.choice(codes, n, p=random.dirichlet(np.full(len(codes), 0.7)))
    rows["outcome"] = random.choice(["failed", "competing", "standing"], n, p=[0.15, 0.05, 0.8])
    return pd.DataFrame(rows), chosen


@pytest.mark.parametrize("k", [3, 5, 11])
def test_another_program_finds_the_same_k_l_and_t(k):
    """pycanon 1.0.1 on 50 invented cohorts: k, distinct l, and t with the equal distance, of the outcome."""
    in_classes = 0
    for seed in range(50):
        rows, chosen = cohort(seed)
        keys = [one.code for one in chosen]
        released, hidden = hide(rows, chosen, k=k)
        assert hidden.k == independent.k_anonymity(released, keys)
        assert hidden.distinct_l == independent.l_diversity(released, keys, ["outcome"])
        t = independent.t_closeness(released, keys, ["outcome"])
        assert hidden.t_closeness == pytest.approx(t, abs=1e-9)
        people = released.drop_duplicates([*keys, "patient"], ignore_index=True)
        assert hidden.patients == independent.k_anonymity(people, keys) >= k
        assert len(rows) - len(released) == hidden.suppressed <= 0.05 * len(rows)
        in_classes += hidden.classes > 1
    assert in_classes >= 40


@pytest.mark.parametrize("k", [3, 5, 11])
def test_a_cohort_of_fewer_patients_than_k_is_refused_with_its_attributes(k):
    for seed in range(10):
        rows, chosen = cohort(seed, 2, k)
        keys = [one.code for one in chosen]
        with pytest.raises(CannotHideError, match=f"k is {k}, but the patients are only") as refusal:
            hide(rows, chosen, k=k)
        assert refusal.value.attributes == tuple(keys)
        assert all(f"({code})" in str(refusal.value) for code in keys)


def test_repairs_of_one_person_hide_nobody():
    rows = table(letter=["a"] * 4 + ["b"], patients=["p1", "p1", "p1", "p1", "p2"])
    with pytest.raises(CannotHideError, match=r"only 2: .* In the way: letter \(letter\)"):
        hide(rows, [LETTER], k=3)
    three = table(letter=["a", "a", "a", "b", "b", "b"], patients=["p1", "p1", "p2", "p3", "p4", "p5"])
    released, hidden = hide(three, [LETTER], k=3, most_suppressed=0)
    assert set(released["letter"]) == {"a+"}
    assert (hidden.k, hidden.patients, hidden.classes) == (6, 5, 1)
    # Who knows the person picks among five people, not six rows.
    assert (hidden.highest_risk, hidden.mean_risk) == (1 / 5, 1 / 5)
    assert (hidden.patients_with_several, hidden.of_them_alone) == (1, 1)


def test_a_code_too_rare_is_dropped_within_the_limit_and_merged_beyond_it():
    common = ["a"] * 10 + ["c"] * 10
    rows = table(letter=[*common, "b"])
    released, hidden = hide(rows, [LETTER], k=5)  # 1 of 21 is under 5 %
    assert (hidden.suppressed, dict(hidden.suppressed_by), hidden.loss) == (1, {"letter": 1}, 0.0)
    assert [*released["letter"]] == common
    assert released["patient"].tolist() == [f"p{number}" for number in range(20)]
    released, hidden = hide(rows[2:], [LETTER], k=5)  # 1 of 19 is over it
    assert [*released["letter"]] == ["a+"] * 8 + ["c+"] * 10 + ["a+"]
    (level,) = hidden.levels
    assert (level.step, level.steps, level.is_given_up, hidden.suppressed) == (1, 3, False, 0)
    # 9 of 19 rows share their form with one other of the four codes.
    assert level.loss == hidden.loss == pytest.approx(9 / 19 / 3)


def test_exactly_the_limit_may_be_dropped():
    rows = table(letter=["a"] * 71 + ["b"] * 29)
    assert hide(rows, [LETTER], k=30, most_suppressed=0.29)[1].suppressed == 29
    assert hide(rows, [LETTER], k=30, most_suppressed=0.28)[1].suppressed == 0


def test_what_may_not_be_given_up_is_named_when_it_stands_in_the_way():
    rows = table(colour=["red"] * 10 + ["blue"] * 2, figure=["1"] * 6 + ["3"] * 6)
    _, hidden = hide(rows, [COLOUR, FIGURE], k=5)
    assert [level.is_given_up for level in hidden.levels] == [True, False]
    with pytest.raises(CannotHideError, match=r"in its way: colour \(colour\)\.") as one:
        hide(rows, [COLOUR, FIGURE], k=5, needed=["colour", "figure"])
    assert one.value.attributes == ("colour",)
    assert "6 rows stand out, and 0 may be dropped. Let it be given up" in str(one.value)
    with pytest.raises(CannotHideError, match="Let 2 of these be given up") as both:
        hide(rows, [COLOUR, FIGURE], k=11, needed=["colour", "figure"])
    assert both.value.attributes == ("colour", "figure")


def test_the_order_of_rows_changes_nothing_but_their_order():
    rows, chosen = cohort(3)
    released, hidden = hide(rows, chosen, k=3)
    shuffled = rows.sample(frac=1, random_state=1)
    again, told = hide(shuffled, chosen, k=3)
    assert told == hidden
    by = [*rows.columns]
    pd.testing.assert_frame_equal(
        again.sort_values(by, ignore_index=True), released.sort_values(by, ignore_index=True)
    )
    pd.testing.assert_frame_equal(rows, cohort(3)[0])


def test_a_table_without_attributes_is_one_class():
    released, hidden = hide(table(letter=["a"] * 6), [], k=5)
    assert (len(released), hidden.k, hidden.classes, hidden.levels, hidden.loss) == (6, 6, 1, (), 0)
    with pytest.raises(CannotHideError, match="the patients are only 4"):
        hide(table(letter=["a"] * 4), [], k=5)


def test_tells_how_far_it_is_and_stops_when_told_to():
    rows, chosen = cohort(11)
    told = []
    hide(rows, chosen, k=5, tell=lambda label, done, total: told.append((label, done, total)))
    assert [done for _, done, _ in told] == sorted(done for _, done, _ in told)
    assert told[-1][1] == told[-1][2] == np.prod([len(one.steps) + 1 for one in chosen])

    def stop(label, done, total):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        hide(rows, chosen, k=5, tell=stop)


def test_most_combinations_need_not_be_tried():
    random = np.random.default_rng(5)
    eight = [one for one in ATTRIBUTES.values() if one.finest]
    nine = [*eight, year_attribute(2, range(2012, 2026))]
    rows = pd.DataFrame({one.code: random.choice(one.finest, 400) for one in nine})
    _, hidden = hide(table(**rows), nine, k=5)
    assert hidden.combinations == 5 * 2 * 2 * 3**6
    assert hidden.combinations_tried < hidden.combinations / 10


@pytest.mark.parametrize("choice", ["all_keys", "two_keys", "one_key"])
def test_rows_that_stand_out_in_the_reference_data(choice):
    """fixtures/reference/kanon_francdat.json: rows in classes below 2, 3, 5, 10, by base R 4.2.2."""
    truth = json.loads((FOLDER / "kanon_francdat.json").read_text(encoding="utf-8"))
    expected = truth["expected"][choice]
    keys = [pd.factorize(np.array(truth["data"][key]))[0] for key in expected["keys"]]
    classes = Classes([[key, key * 0] for key in keys], np.arange(8))
    finest = (0,) * len(keys)
    for size, below in expected["rows_below"].items():
        assert classes.too_small(finest, int(size)) == below
        assert [*classes.stand_out(finest, int(size))] == [n < int(size) for n in expected["class_sizes"]]


def test_more_combinations_than_a_number_can_count_are_told_apart():
    """Five columns of 65,536 codes make 2**80 combinations; the first one is not lost on the way."""
    highest = 2**16 - 1
    columns = [np.array([0, 1, highest]), *[np.array([0, 0, highest])] * 4]
    classes = Classes([[column, column * 0] for column in columns], np.arange(3))
    assert classes.too_small((0, 0, 0, 0, 0), 2) == 3
    assert classes.too_small((1, 0, 0, 0, 0), 2) == 1


RIGHT = table(letter=["a"] * 6, figure=["1"] * 6)
WRONG = [
    ({"k": 0}, "k is 0: it counts the people"),
    ({"most_suppressed": 1}, "most_suppressed is 1: it is a share; choose 0 or more and under 1"),
    ({"attributes": [LETTER, LETTER]}, "attributes name letter twice"),
    ({"patient": "letter"}, "attributes name letter twice, or as the patient"),
    ({"needed": ["colour"]}, "needed names colour: no such attribute"),
    ({"attributes": [COLOUR]}, "rows have no column colour: they have letter, figure, patient, outcome"),
    ({"rows": RIGHT.assign(letter="e")}, "column letter has 'e': it must be one of a, b, c, d"),
    ({"rows": RIGHT.assign(letter=None)}, "column letter has None"),
    ({"rows": RIGHT.assign(surgeon=7), "attributes": [OPEN]}, "column surgeon has .*7.*: it must be text"),
    ({"rows": RIGHT.assign(patient=None)}, "column patient has a row without patient"),
]


@pytest.mark.parametrize(("changed", "message"), WRONG)
def test_says_what_is_wrong(changed, message):
    asked = {"rows": RIGHT, "attributes": [LETTER], "k": 5, **changed}
    with pytest.raises(ValueError, match=message) as refusal:
        hide(asked.pop("rows"), asked.pop("attributes"), **asked)
    assert not isinstance(refusal.value, CannotHideError)
