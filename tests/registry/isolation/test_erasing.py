"""An erasure by the page works under the application's role too, which else deletes nothing of the record."""

import json

import pytest

from tests.registry.isolation.conftest import House

pytestmark = pytest.mark.postgresql


def test_the_page_erases_under_the_role_of_the_application(house: House) -> None:
    told = json.loads(house.program("tests.registry.isolation.erasing", house.application))
    assert told["role"] == "rimward_app", "after it the role is the application's again"
    assert (told["status"], told["erased"], told["patients"], told["corrections"]) == (302, 1, 0, 0)
    assert told["others"] > 0
