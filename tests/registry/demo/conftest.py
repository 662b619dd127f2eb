"""The demo's truth and its default stories, told once for all tests that only look at them."""

from datetime import date

import pytest

from registry.demo.scenario import DEFAULT_PATIENTS, DEFAULT_SEED, generate
from registry.demo.story import PatientStory
from registry.demo.truth import Truth

UNTIL = date(2025, 6, 30)


@pytest.fixture(scope="package")
def truth() -> Truth:
    return Truth.read()


@pytest.fixture(scope="package")
def stories(truth: Truth) -> list[PatientStory]:
    return list(generate(DEFAULT_PATIENTS, DEFAULT_SEED, UNTIL, truth))
