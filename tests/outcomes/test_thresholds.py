"""Published thresholds: scores at the very edge, what the steps of an instrument allow, entries refused."""

import json
from pathlib import Path
from typing import Any

import pytest

from outcomes.estimators.change import share_improved, share_reaching
from outcomes.thresholds import (
    Kind,
    Threshold,
    error_in_one_person,
    not_real_for_one,
    of_scale,
    thresholds,
    told_for,
    used,
)
from registry.scoring import INSTRUMENTS

REPAIR = "Arthroscopy 2021;37(12):3479-3486; PMID 33964390"


def of(kind: Kind, instrument: str, scale: str) -> Threshold:
    found = used(kind, instrument, scale)
    assert found is not None
    assert found.value is not None
    return found


def value(kind: Kind, instrument: str, scale: str) -> float:
    found = of(kind, instrument, scale).value
    assert found is not None
    return found


def lattice(instrument: str, scale: str) -> list[float]:
    """Every score a complete form can have, worked out by the instrument itself, from worst to best."""
    form = INSTRUMENTS[instrument]
    codes = next(each for each in form.scales if each.code == scale).items
    answers = {code: min(form.item(code).allowed) for code in codes}
    found = set()
    for code in codes:
        for allowed in sorted(form.item(code).allowed):
            answers[code] = allowed
            found.add(form.values(answers)[scale])
    return sorted(found)


# --- the edge -----------------------------------------------------------------------------------

# The lattice score that each printed cut is rounded from, Arthroscopy 2021;37(12):3479-3486, abstract; the
# lattice is computed. The cut is "greater than", so who has exactly this score has not reached it.
EDGES = [
    ("koos", "pain", 80.6, 80.5556),
    ("koos", "symptoms", 75.0, 75.0),
    ("koos", "sport", 80.0, 80.0),
    ("koos", "qol", 56.3, 56.25),
    ("ikdc", "total", 69.0, 68.9655),
]


@pytest.mark.parametrize(("instrument", "scale", "printed", "edge"), EDGES)
def test_a_score_at_the_cut_itself_has_not_reached_it(
    instrument: str, scale: str, printed: float, edge: float
) -> None:
    cut = of(Kind.PASS, instrument, scale)
    assert (cut.value, cut.operator, cut.operator_from) == (printed, ">", "source")
    there = [score for score in lattice(instrument, scale) if round(score, 4) == edge]
    assert len(there) == 1
    assert share_reaching(there, printed, cut.operator).reached.x == 0


def test_at_least_would_flip_with_rounding() -> None:
    # Why scores stay unrounded and the operator as published: 80.5556 against the printed 80.6.
    exact, rounded = 100 - 700 / 36, 80.6
    assert share_reaching([exact, rounded], 80.6, ">=").reached.x == 1
    assert share_reaching([exact, rounded], 80.6, ">").reached.x == 0


# Last two columns computed from complete forms; the cuts from the same abstract.
STEPS = [
    ("ikdc", "total", 10.9, 11.4943, 10, 70.1149),
    ("koos", "symptoms", 12.3, 14.2857, 4, 78.5714),
    ("koos", "pain", 11.8, 13.8889, 5, 83.3333),
    ("koos", "adl", 11.4, 11.7647, 8, 94.1176),
    ("koos", "sport", 16.7, 20, 4, 85),
    ("koos", "qol", 16.9, 18.75, 3, 62.5),
]


@pytest.mark.parametrize(("instrument", "scale", "mcid", "change", "steps", "first_above"), STEPS)
def test_smallest_change_and_first_score_that_reach_the_thresholds(
    instrument: str, scale: str, mcid: float, change: float, steps: int, first_above: float
) -> None:
    scores = lattice(instrument, scale)
    least, cut = of(Kind.MCID, instrument, scale), of(Kind.PASS, instrument, scale)
    assert (least.value, least.operator, least.operator_from) == (mcid, ">=", "our convention")
    worst = [scores[0]] * len(scores)
    improved = [
        share_improved([before], [after], mcid, least.operator, best=100).reached.x
        for before, after in zip(worst, scores, strict=True)
    ]
    assert improved.index(1) == steps
    assert round(scores[steps] - scores[0], 4) == change
    above = [
        score
        for score in scores
        if share_reaching([score], value(Kind.PASS, instrument, scale), cut.operator).reached.x
    ]
    assert round(above[0], 4) == first_above


def test_who_began_at_95_cannot_reach_the_change_and_is_left_out_of_the_rate() -> None:
    found = share_improved([95.4], [100], value(Kind.MCID, "ikdc", "total"), ">=", best=100)
    assert (found.reached.x, found.reached.n, found.out_of_reach) == (0, 0, 1)


# --- what is used, and what is only told --------------------------------------------------------


def test_only_thresholds_of_meniscal_patients_are_used() -> None:
    assert {row.population for row in thresholds() if row.used} == {
        "meniscal repair",
        "meniscal tears, Dutch",
        "meniscal surgery, Danish WOMET",
    }
    assert all(row.source == REPAIR for row in thresholds() if row.used and row.kind is not Kind.SDC)
    assert not any(row.used for row in thresholds() if row.read != "abstract")


@pytest.mark.parametrize(
    ("instrument", "scale"), [("lysholm", "total"), ("tegner", "total"), ("sane", "total"), ("koos", "koos4")]
)
def test_where_none_of_a_repair_was_published_none_is_used(instrument: str, scale: str) -> None:
    assert [used(kind, instrument, scale) for kind in Kind] == [None, None, None]


def test_measurement_error() -> None:
    # 1.96 x root of 2 x standard error: 5.3 of IKDC, 125 of 1600 raw points of WOMET (sources in the file).
    assert value(Kind.SDC, "ikdc", "total") == pytest.approx(1.96 * 2**0.5 * 5.3, abs=0.1)
    assert value(Kind.SDC, "womet", "total") == 347 / 16 == pytest.approx(1.96 * 2**0.5 * 125 / 16, abs=0.05)
    koos = error_in_one_person("koos", "pain")
    assert koos is not None
    assert (koos.value, koos.lowest, koos.highest, koos.used) == (None, 19.4, 35.0, False)
    assert error_in_one_person("sane", "total") is None


def test_a_change_that_matters_to_groups_is_not_called_real_for_one() -> None:
    ikdc = not_real_for_one("ikdc", ["total"])
    assert "10.9" in ikdc
    assert "(14.6): do not call it real for one patient" in ikdc
    assert "changes of 11.8 to 16.9 matter to groups (MCID) but lie" in not_real_for_one(
        "koos", ["qol", "pain"]
    )
    assert "19.4 to 35, over the scales" in not_real_for_one("koos", ["qol", "pain"])
    assert not_real_for_one("womet", ["total"]) == not_real_for_one("koos", ["koos4"]) == ""


def test_a_threshold_is_told_with_all_that_judges_it() -> None:
    said = dict(told_for("ikdc", ["total"]))
    assert not any("not used" in label for label, _ in told_for("ikdc", ["total"], of_others=False))
    told = said["Acceptable state (PASS)"]
    for part in ("greater than 69 ", "meniscal repair, n = 60", "operator as published", REPAIR):
        assert part in told
    assert "operator our convention" in said["Least important change (MCID)"]
    assert "from memory" in said["Least important change (MCID), other people, not used"]
    assert [row.used for row in of_scale("koos", "symptoms")] == [True, True, False, False, False]


# --- refusals -----------------------------------------------------------------------------------

GOOD: dict[str, Any] = {
    "code": "one",
    "instrument": "koos",
    "scale": "pain",
    "kind": "pass",
    "value": "80.6",
    "operator": ">",
    "operator_from": "source",
    "used": True,
    "population": "meniscal repair",
    "n": 60,
    "time_point": "2 years",
    "method": "anchor",
    "source": "Journal of Trees 2020;1:1-2",
    "read": "abstract",
}


def read(tmp_path: Path, *entries: dict[str, Any]) -> tuple[Threshold, ...]:
    path = tmp_path / "thresholds.json"
    path.write_text(json.dumps(entries), encoding="utf-8")
    return thresholds(path)


def test_a_good_entry_is_read(tmp_path: Path) -> None:
    [row] = read(tmp_path, GOOD)
    assert (row.value, row.operator, row.n) == (80.6, ">", 60)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"source": ""}, "Entry one: source is missing"),
        ({"operator": None}, "Entry one: operator is missing"),
        ({"population": "  "}, "Entry one: population is missing"),
        ({"operator": "="}, "operator is =; choose one of >, >=, <, <="),
        ({"operator_from": "us"}, "operator_from is us; choose one of source, our convention"),
        ({"kind": "mic"}, "kind is mic; choose one of mcid, pass, sdc"),
        ({"instrument": "knee"}, "instrument is knee; choose one of koos"),
        ({"scale": "total"}, "scale is 'total'; KOOS has pain, symptoms"),
        ({"value": 80.6}, "value is 80.6; give it as text, as printed"),
        ({"value": "806"}, "value is 806; it must lie within its scale, 0 to 100"),
        ({"value": None}, "value is missing; give it, or for the scales of an instrument together"),
        ({"scale": "", "value": None, "lowest": "1", "highest": "2"}, "value is missing"),
        ({"read": "hearsay"}, "read is hearsay; choose one of abstract"),
        ({"used": None}, "used is None; choose one of True, False"),
        ({"colour": "red"}, "colour is no field of a threshold"),
    ],
)
def test_an_entry_is_refused_in_words(tmp_path: Path, wrong: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        read(tmp_path, {**GOOD, **wrong})


def test_two_of_a_kind_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="Entry one: code is used twice"):
        read(tmp_path, GOOD, GOOD)
    with pytest.raises(ValueError, match="Entry koos pain pass: used is true twice"):
        read(tmp_path, GOOD, {**GOOD, "code": "two"})
    assert len(read(tmp_path, GOOD, {**GOOD, "code": "two", "used": False})) == 2
