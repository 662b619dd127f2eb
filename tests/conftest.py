"""The fixed cast of every page test, and the database the suite runs on."""

import gc
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from django.core.cache import caches
from django.db import connection
from django.test import Client, override_settings

from outcomes.cache import RESULTS
from registry.models import Knee, Repair, Surgeon, Unit, User, triggers
from tests import factories
from tests.tables import note_as_migrated


@dataclass(frozen=True)
class Cast:
    """Two units, the people in them, and one repaired knee of the first."""

    unit: Unit
    other_unit: Unit
    surgeon: User
    colleague: User
    clinician: User
    audit_lead: User
    coordinator: User
    administrator: User
    stranger: User
    oak: Surgeon
    repair: Repair
    knee: Knee

    def client(self, who: str) -> Client:
        """A browser signed in as one of the cast; "nobody" is signed out."""
        client = Client()
        if who != "nobody":
            client.force_login(getattr(self, who))
        return client


def pytest_collection_finish() -> None:
    """What is imported by now stays to the end: no collection of garbage need look at it again."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def static_files_found_when_asked_for() -> Iterator[None]:
    """Each client of a test has its own middleware; none lists every static file first."""
    with override_settings(WHITENOISE_AUTOREFRESH=True):
        yield


@pytest.fixture
def cast(db: None) -> Cast:
    unit, other_unit = factories.a_unit("northmere"), factories.a_unit("southmere")
    people = factories.people(
        surgeon=("oak", "surgeon", unit),
        colleague=("elm", "surgeon", unit),
        clinician=("clinician", "clinician", unit),
        audit_lead=("lead", "audit_lead", unit),
        coordinator=("coordinator", "coordinator", unit),
        administrator=("administrator", "administrator", unit),
        stranger=("stranger", "surgeon", other_unit),
    )
    oak = factories.a_surgeon(unit, "oak", people["surgeon"])
    repair = factories.a_repair(factories.an_operation(unit, oak))
    return Cast(unit, other_unit, **people, oak=oak, repair=repair, knee=repair.tear.procedure.knee)


@pytest.fixture(scope="session")
def django_db_modify_db_settings(django_db_modify_db_settings: None) -> None:
    """The tables of each worker's database are made as the models say."""
    connection.settings_dict["TEST"]["MIGRATE"] = False


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> None:
    with django_db_blocker.unblock():
        note_as_migrated()


@pytest.fixture(autouse=True)
def nothing_remembered() -> None:
    """Each test has a record of its own, whose version counts from the start."""
    caches[RESULTS].clear()


@pytest.fixture
def transactional_db(transactional_db: None) -> Iterator[None]:
    """The real database; its flush deletes rows, which the record's own triggers forbid on SQLite."""
    yield
    triggers.remove("default")
