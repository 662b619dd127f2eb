"""The file of truth: refused when it does not fit, used to the last entry, and plausible."""

import json
import math
import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest

from registry import vocabulary
from registry.demo import truth as truth_module
from registry.demo.cast import Cast
from registry.demo.dice import NEVER_DAYS
from registry.demo.hazard import cumulative_hazard, failure_day
from registry.demo.story import PatientStory
from registry.demo.truth import TRUTH_FILE, Truth

PACKAGE = Path(truth_module.__file__).parent


def with_change(tmp_path: Path, section: str, entry: str, value: object) -> Path:
    told = json.loads(TRUTH_FILE.read_text())
    told[section][entry] = value
    path = tmp_path / "truth.json"
    path.write_text(json.dumps(told))
    return path


def test_shares_that_do_not_add_up_are_refused_by_name(tmp_path: Path) -> None:
    path = with_change(tmp_path, "people", "sex", {"female": 0.5, "male": 0.6})
    with pytest.raises(ValueError, match=r"truth\.json\.people\.sex: .* add up to 1\.1"):
        Truth.read(path)


def test_an_unknown_entry_is_refused_by_name(tmp_path: Path) -> None:
    path = with_change(tmp_path, "people", "shoe_size", 0.5)
    with pytest.raises(ValueError, match=r"truth\.json\.people: missing or unknown: shoe_size"):
        Truth.read(path)


def test_notes_are_for_readers(tmp_path: Path) -> None:
    path = with_change(tmp_path, "people", "sex_note", "free text")
    assert Truth.read(path) == Truth.read()


def entries(kind: Any) -> Iterator[str]:
    """Names of all entries of the file, sections within sections too."""
    for field in fields(kind):
        yield field.name
        hint = get_type_hints(kind)[field.name]
        for inner in (hint, *get_args(hint)):
            if is_dataclass(inner) and inner.__module__.startswith(truth_module.__name__):
                yield from entries(inner)


def test_every_entry_is_used() -> None:
    code = "".join(path.read_text() for path in PACKAGE.glob("*.py") if not path.name.startswith("truth"))
    idle = {name for name in entries(Truth) if not re.search(rf"\.{name}\b", code)}
    assert idle == {"about", "event"}  # said to the reader


def test_it_says_that_it_is_invented(truth: Truth) -> None:
    assert truth.about.startswith("Invented")
    assert Cast.read().about.startswith("Invented")
    assert all("(invented)" in unit.name for unit in Cast.read().units)


def test_no_augmentation_has_an_effect(truth: Truth) -> None:
    ratios = truth.failure.hazard_ratio.augmentation
    assert ratios == dict.fromkeys(vocabulary.Augmentation.values, 1.0)


@pytest.mark.parametrize(
    ("factor", "codes"),
    [
        ("vascular_zone", vocabulary.VascularZone.values),
        ("acuity", ["acute", "subacute", "chronic"]),
        ("ligament_surgery", vocabulary.LigamentSurgery.values),
    ],
)
def test_every_level_has_a_ratio_and_the_first_is_the_reference(
    truth: Truth, factor: str, codes: list[str]
) -> None:
    ratios = getattr(truth.failure.hazard_ratio, factor)
    assert set(ratios) == set(codes)
    assert next(iter(ratios.values())) == 1


def test_the_cast_and_the_truth_name_the_same_people(truth: Truth) -> None:
    cast = Cast.read()
    works_in = {unit: set(shares.codes) for unit, shares in truth.people.lead_surgeon.items()}
    assert works_in == {
        unit.code: {surgeon.code for surgeon in cast.surgeons if unit.code in surgeon.units}
        for unit in cast.units
    }
    assert set(truth.failure.hazard_ratio.surgeon) == {surgeon.code for surgeon in cast.surgeons}
    assert set(truth.people.unit.codes) == {unit.code for unit in cast.units}


@pytest.mark.parametrize(("years", "low", "high"), [(2, 0.12, 0.15), (5, 0.20, 0.24)])
def test_failure_is_plausible_beside_print(
    truth: Truth, stories: list[PatientStory], years: float, low: float, high: float
) -> None:
    # Pooled series in print: 15 % (11-20) at 2-3 years (Ow et al. Arthroscopy 2021;37(12)); 19.1 to 23.1 % at
    # 5 years or more (Schweizer et al. KSSTA 2022; Nepple et al. JBJS Am 2012;94:2222-7).
    hazard = cumulative_hazard(truth.failure.baseline_per_year, years * 365.25)
    expected = [1 - math.exp(-hazard * ratio) for ratio in primary_ratios(stories)]
    assert low <= sum(expected) / len(expected) <= high


def primary_ratios(stories: list[PatientStory]) -> list[float]:
    return [
        tear.repair.latent.hazard_ratio
        for story in stories
        for knee in story.knees
        for procedure in knee.procedures
        for tear in procedure.tears
        if tear.repair and tear.revises is None
    ]


@pytest.mark.parametrize("uniform", [0.01, 0.05, 0.2, 0.5, 0.9])
@pytest.mark.parametrize("ratio", [0.5, 1, 3.7])
def test_failure_day_inverts_the_survival_function(truth: Truth, uniform: float, ratio: float) -> None:
    steps = truth.failure.baseline_per_year
    day = failure_day(steps, ratio, uniform)
    if day == NEVER_DAYS:
        assert uniform > 1 - math.exp(-ratio * cumulative_hazard(steps, NEVER_DAYS))
        return
    failed = [1 - math.exp(-ratio * cumulative_hazard(steps, each)) for each in (day - 1, day)]
    assert failed[0] < uniform <= failed[1] + 1e-12
