"""The literature figures: what they come to, and entries that are refused in words."""

import json
from pathlib import Path
from typing import Any

import pytest

from outcomes.estimators.rates import proportion
from outcomes.published import PublishedFigure, published

FIGURES = {figure.code: figure for figure in published()}


def percent(figure: PublishedFigure) -> float:
    assert figure.share is not None
    return round(100 * figure.share, 1)


def test_wilson_interval_of_the_pooled_failures() -> None:
    # From the formula of Wilson 1927: 131 of 566 have the limits 19.858 and 26.794 %.
    figure = FIGURES["failure_nepple_2012"]
    assert figure.events is not None
    assert figure.n is not None
    found = proportion(figure.events, figure.n)
    assert found.lower is not None
    assert found.upper is not None
    assert (round(100 * found.lower, 3), round(100 * found.upper, 3)) == (19.858, 26.794)
    assert percent(figure) == 23.1


def test_risk_ratio_of_bucket_handle_to_simple_tears() -> None:
    bucket_handle = FIGURES["failure_costa_2022_bucket_handle_counted"].share
    simple = FIGURES["failure_costa_2022_simple_counted"].share
    assert bucket_handle is not None
    assert simple is not None
    assert round(bucket_handle / simple, 4) == 1.4955


def test_shares_of_second_look_and_imaging() -> None:
    assert percent(FIGURES["second_look_arthroscopy_2019_healed_or_partly"]) == 74.8
    classes = [FIGURES[f"mri_muench_2022_{name}"] for name in ("healed", "partly", "not")]
    assert [percent(figure) for figure in classes] == [69.4, 25.0, 5.6]


def test_classes_of_one_look_add_up() -> None:
    for source in ("second_look_arthroscopy_2019", "second_look_ajsm_1994"):
        parts = [f for code, f in FIGURES.items() if code.startswith(source) and "or" not in f.what.split()]
        assert len(parts) == 3
        assert sum(figure.events or 0 for figure in parts) == parts[0].n


def test_failures_after_a_stable_look() -> None:
    looked_at, later = FIGURES["second_look_kurosaka_2002_stable"], FIGURES["failure_kurosaka_2002"]
    assert looked_at.events == later.n == 90
    assert later.events == 13


@pytest.mark.parametrize("measure", ["failure", "second_look", "mri_healing", "ramp_prevalence"])
def test_every_measure_has_figures(measure: str) -> None:
    assert any(figure.measure == measure for figure in FIGURES.values())


def test_every_figure_can_be_shown() -> None:
    for figure in FIGURES.values():
        shares = [share for share in (figure.lower, figure.share, figure.upper) if share is not None]
        assert shares
        assert all(0 <= share <= 1 for share in shares)
        assert figure.population
        assert figure.definition
        assert figure.follow_up
        assert str(figure.published)[:2] in ("19", "20")
        assert figure.citation


ENTRY: dict[str, Any] = {
    "code": "invented_2020",
    "measure": "failure",
    "what": "all repairs",
    "percent": "23.1",
    "lower_percent": "19.9",
    "upper_percent": "26.8",
    "range_kind": "95 % confidence interval",
    "events": 131,
    "n": 566,
    "n_of": "repairs",
    "population": "an invented series",
    "definition": "reoperation",
    "follow_up": "at least 5 years",
    "from_years": 5,
    "published": 2020,
    "citation": "Invented A. Invented J 2020;1:1-2",
    "read": "invented",
}


def written(folder: Path, *entries: dict[str, Any]) -> Path:
    path = folder / "figures.json"
    path.write_text(json.dumps(entries), encoding="utf-8")
    return path


def test_a_whole_entry_is_read(tmp_path: Path) -> None:
    (figure,) = published(written(tmp_path, ENTRY))
    assert (figure.share, figure.lower, figure.upper) == (131 / 566, 0.199, 0.268)
    assert (figure.from_years, figure.to_years, figure.identifier) == (5, None, None)


def test_a_range_alone_is_read(tmp_path: Path) -> None:
    entry = {name: value for name, value in ENTRY.items() if name not in ("percent", "events", "n", "n_of")}
    (figure,) = published(written(tmp_path, entry))
    assert (figure.share, figure.lower, figure.upper) == (None, 0.199, 0.268)


@pytest.mark.parametrize("rounded", ["23", "23.1", "23.14", "23.145"])
def test_counts_give_the_printed_per_cent_as_far_as_printed(tmp_path: Path, rounded: str) -> None:
    assert published(written(tmp_path, ENTRY | {"percent": rounded}))


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"citation": ""}, "Entry invented_2020: citation is missing"),
    ({"population": None}, "population is missing"),
    ({"definition": " "}, "definition is missing"),
    ({"follow_up": ""}, "follow_up is missing"),
    ({"published": None}, "published is missing"),
    ({"code": ""}, "Entry number 1: code is missing"),
    ({"percent": "123.1", "events": None}, "percent is 123.1; a share lies between 0 and 100 %"),
    ({"percent": "-1", "events": None}, "percent is -1; a share lies"),
    ({"upper_percent": "101"}, "upper_percent is 101; a share lies"),
    ({"percent": 23.1}, "percent is 23.1; give it as text"),
    ({"percent": "23.2"}, "131 of 566 are 23.14 %, not the printed 23.2 %"),
    ({"percent": "24"}, "131 of 566 are 23.14 %, not the printed 24 %"),
    ({"events": 567}, "events is 567 of n 566; it must lie between 0 and n"),
    ({"n": None}, "events is 131 of n None"),
    ({"n_of": None}, "n_of is missing"),
    ({"lower_percent": None}, "belong together; give all or none"),
    ({"lower_percent": "24"}, "percent does not lie within its range"),
    ({"range_kind": "a guess"}, "range_kind is a guess; choose one of"),
    ({"measure": "mood"}, "measure is mood; choose one of failure"),
    ({"colour": "red"}, "colour is no field of a figure"),
]


@pytest.mark.parametrize(("change", "message"), REFUSED)
def test_an_entry_that_cannot_be_judged_is_refused(
    tmp_path: Path, change: dict[str, Any], message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        published(written(tmp_path, ENTRY | change))


def test_a_code_used_twice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="Entry invented_2020: code is used twice"):
        published(written(tmp_path, ENTRY, ENTRY))
