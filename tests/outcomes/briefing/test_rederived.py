"""Every number of a briefing's data block, worked out a second time by plain pandas: see by_hand."""

import copy
from datetime import UTC, date, datetime
from typing import Any

import pytest
import time_machine

from outcomes.briefing.archive import make_briefing
from outcomes.briefing.asked import Brief
from outcomes.briefing.block import leaves
from outcomes.failure import DEFINITIONS
from outcomes.models import Briefing
from registry.demo.cast import Cast as DemoCast
from registry.demo.load import load
from registry.demo.scenario import DEFAULT_PATIENTS, generate
from registry.demo.truth import Truth
from registry.models import Unit, User
from tests.factories import PASSWORD
from tests.outcomes.briefing.by_hand.whole import ByHand

UNTIL = date(2025, 6, 30)
TOLERANCE = 1e-9
FEW_PATIENTS = 140

pytestmark = pytest.mark.django_db

# Unit, definition, first and last day of operation.
FIRST = ("brackwold", "reoperation", date(2023, 1, 1), date(2023, 12, 31))
LATER = ("brackwold", "reoperation", date(2024, 1, 1), date(2024, 12, 31))
EVERYTHING = ("ottermere", "any", None, None)
WITHOUT_CODES = ("sallowmoor", "reoperation", date(2022, 7, 1), None)


def a_scenario(patients: int) -> None:
    load(generate(patients, 4, UNTIL, Truth.read()), DemoCast.read(), UNTIL, lambda name: PASSWORD)


def briefed(unit: str, definition: str, since: date | None, until: date | None) -> Briefing:
    lead = User.objects.get(username="auditlead")
    brief = Brief(Unit.objects.get(code=unit), DEFINITIONS[definition], UNTIL, since, until)
    return make_briefing(brief, lead)


def by_hand(briefing: Briefing, previous: Briefing | None = None) -> dict[str, Any]:
    """The same numbers, from the tables and what was asked."""
    asked = {name: value for name, value in briefing.numbers["asked"].items() if name != "record_version"}
    again = ByHand(asked).numbers()
    if previous:
        again["since_last"] = since_last(previous, briefing.numbers["since_last"], again)
    return again


def since_last(previous: Briefing, told: dict[str, Any], now: dict[str, Any]) -> dict[str, Any]:
    """Then, from the archive, beside now, by hand."""
    rows = {path: {"was": at(previous.numbers, path), "now": at(now, path)} for path in told["numbers"]}
    return {"briefing": str(previous.uuid), "numbers": rows}


def at(numbers: Any, path: str) -> Any:
    for key in path.split("."):
        numbers = numbers.get(key) if numbers else None
    return numbers


def compare(told: dict[str, Any], again: dict[str, Any]) -> tuple[int, list[str]]:
    """How many values were compared, and what is wrong: not derived, not told, or not the same."""
    ours = {path: value for path, value in leaves(told) if path[-1] != "reason"}
    theirs = dict(leaves(again))
    wrong = [f"{'.'.join(path)} is not re-derived" for path in ours if path not in theirs]
    wrong += [f"{'.'.join(path)} is not in the block" for path in theirs if path not in ours]
    for path in ours.keys() & theirs.keys():
        if not same(ours[path], theirs[path]):
            wrong.append(f"{'.'.join(path)}: {ours[path]} told, {theirs[path]} by hand")
    return len(ours), wrong


def same(told: Any, again: Any) -> bool:
    if isinstance(told, bool) or not isinstance(told, int | float) or not isinstance(again, int | float):
        return bool(told == again)
    # The second part is for what is 0 but for rounding.
    return bool(abs(told - again) <= TOLERANCE * max(abs(told), abs(again)) + 1e-15)


def check(briefing: Briefing, previous: Briefing | None = None) -> int:
    compared, wrong = compare(briefing.numbers, by_hand(briefing, previous))
    assert not wrong, f"{briefing}: {len(wrong)} of {compared}:\n" + "\n".join(wrong[:40])
    return compared


def check_two_in_a_row() -> int:
    # Made a day before, so that the next one finds it as the last.
    with time_machine.travel(datetime(2025, 6, 29, 12, tzinfo=UTC), tick=False):
        first = briefed(*FIRST)
    later = briefed(*LATER)
    assert "since_last" not in first.numbers
    assert len(later.numbers["since_last"]["numbers"]) > 10
    return check(later, first)


def test_every_number_is_the_same_by_hand() -> None:
    a_scenario(FEW_PATIENTS)
    assert check_two_in_a_row() + check(briefed(*EVERYTHING)) > 2_000


@pytest.mark.slow
def test_every_number_of_the_whole_scenario_is_the_same_by_hand() -> None:
    a_scenario(DEFAULT_PATIENTS)
    found = check_two_in_a_row() + check(briefed(*EVERYTHING)) + check(briefed(*WITHOUT_CODES))
    assert found > 20_000


def test_the_comparison_misses_nothing() -> None:
    told = {"a": {"share": 0.5, "lower": None}, "b": [1, 2]}
    assert compare(told, copy.deepcopy(told)) == (4, [])
    for change, said in (
        ({"a": {"share": 0.5, "lower": None}}, "b.0 is not re-derived"),
        ({**told, "c": 1}, "c is not in the block"),
        ({**told, "b": [1, 3]}, "b.1: 2 told, 3 by hand"),
        ({**told, "a": {"share": 0.5 * (1 + 3e-9), "lower": None}}, "a.share: 0.5 told"),
        ({**told, "a": {"share": 0.5, "lower": 0.0}}, "a.lower: None told, 0.0 by hand"),
    ):
        _, wrong = compare(told, change)
        assert any(said in each for each in wrong)
