"""The demo's truth and its default stories, told once for all tests that only look at them."""

from datetime import date

import pytest

from registry.demo.scenario import DEFAULT_PATIENTS, DEFAULT_SEED, generate
from registry.demo.truth import Truth
from tests.registry.demo.telling import Stories

UNTIL = date(2025, 6, 30)


@pytest.fixture(scope="package")
def truth() -> Truth:
    return Truth.read()


@pytest.fixture(scope="package")
def stories(truth: Truth) -> Stories:
    return list(generate(DEFAULT_PATIENTS, DEFAULT_SEED, UNTIL, truth))


@pytest.fixture(scope="package", params=[1, 5, 9])
def told(request: pytest.FixtureRequest, truth: Truth) -> Stories:
    """Fewer stories of several seeds, for what should hold whatever the seed."""
    return list(generate(900, request.param, UNTIL, truth))
