"""A database whose ledger and cohorts had their first form keeps all of it in the form of today."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command

from outcomes.models import LedgerEntry, NamedCohort
from tests.upgrading import OLD, database_of

FORMS_OF_BEFORE = ("outcomes", "0002_named_and_briefed")
TWO_DAYS = (datetime(2026, 3, 1, 9, 30, 0, 250, UTC), datetime(2026, 4, 1, 9, 30, tzinfo=UTC))


@pytest.fixture
def old_database(tmp_path: Path, django_db_blocker: Any) -> Iterator[Any]:
    with database_of(FORMS_OF_BEFORE, tmp_path, django_db_blocker) as apps:
        yield apps


@pytest.mark.django_db
@pytest.mark.any_engine
def test_releases_become_the_ledgers_first_entries_and_cohorts_get_their_first_version(
    old_database: Any,
) -> None:
    def put(app: str, model: str, **values: Any) -> Any:
        return old_database.get_model(app, model).objects.using(OLD).create(**values)

    unit = put("registry", "Unit", code="northmere", name="Northmere Hospital")
    user = put("registry", "User", username="coordinator")
    put("outcomes", "NamedCohort", name="Ramps", query={"pattern": "ramp"}, definition="any", made_by=user)
    for number, day in enumerate(TWO_DAYS):
        put(
            "outcomes",
            "ReleaseEntry",
            released_at=day,
            released_by=user,
            project=f"zones {number}",
            purpose="failure by zone",
            approval="REC-1",
            cohort_sentence="Primary repairs at Northmere Hospital.",
            definition="reoperation",
            rows_in_cohort=7,
            rows_permitted=6,
            rows_suppressed=0,
            rows_released=6,
            smallest_class=6,
            sha256="ab" * 32,
        ).units.add(unit)

    call_command("migrate", database=OLD, verbosity=0)

    first, second = LedgerEntry.objects.using(OLD).order_by("number")
    assert (first.number, second.number, first.written_at) == (1, 2, TWO_DAYS[0])
    assert second.previous_hash == first.own_hash == first.worked_out_hash()
    assert second.own_hash == second.worked_out_hash()
    assert first.said["units"] == ["northmere"]
    assert first.said["rows"] == {"in_cohort": 7, "permitted": 6, "suppressed": 0, "released": 6}
    named = NamedCohort.objects.using(OLD).get()
    assert (named.query, named.definition, named.latest.number) == ({"pattern": "ramp"}, "any", 1)
