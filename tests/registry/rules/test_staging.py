"""Concomitant ligament surgery from ligament table and staging. Common practice, no published source."""

import pytest

from registry.rules.staging import ligament_surgery


@pytest.mark.parametrize(
    ("states", "staging", "expected"),
    [
        (["intact"] * 6, "single", "none"),
        (["left", "intact"], "single", "none"),
        (["reconstructed_before"], "single", "none"),
        (["treated_here"], "single", "same_operation"),
        (["staged"], "single", "staged_later"),
        (["intact"], "repair_first", "staged_later"),
        (["intact"], "ligament_first", "staged_earlier"),
        # Treatment now outranks a stage to come, which outranks one gone by.
        (["treated_here", "staged"], "repair_first", "same_operation"),
        (["treated_here"], "ligament_first", "same_operation"),
        (["staged"], "ligament_first", "staged_later"),
        ([None, None], "single", "none"),
    ],
)
def test_precedence(states: list[str | None], staging: str, expected: str) -> None:
    assert ligament_surgery(states, staging) == expected
