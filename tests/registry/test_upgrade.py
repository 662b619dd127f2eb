"""A database of the first release becomes one of today without losing what it holds."""

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connections
from django.db.migrations.executor import MigrationExecutor

from registry.models import Draft, ScoreResponse, Tear, Visit
from tests.upgrading import OLD, database_of

FIRST_RELEASE = ("registry", "0001_record")


@pytest.fixture
def old_database(tmp_path: Path, django_db_blocker: Any) -> Iterator[Any]:
    with database_of(FIRST_RELEASE, tmp_path, django_db_blocker) as apps:
        yield apps


def test_rows_of_the_first_release_are_carried_over(old_database: Any) -> None:
    def put(model: str, **values: Any) -> Any:
        return old_database.get_model("registry", model).objects.using(OLD).create(**values)

    unit = put("Unit", code="northmere", name="Northmere Hospital")
    oak = put("Surgeon", code="oak", name="Dr Oak")
    patient = put("Patient", unit=unit, sex="female", born_on=date(1990, 1, 1))
    knee = put("Knee", patient=patient, side="left")
    day = date(2024, 3, 1)
    procedure = put(
        "IndexProcedure",
        knee=knee,
        unit=unit,
        lead_surgeon=oak,
        operated_on=day,
        injury_date_precision="unknown",
    )
    for code in ("none", "delamination", "flap"):
        put(
            "Tear",
            procedure=procedure,
            meniscus="medial",
            pattern="radial",
            treatment="removed",
            accompanying_pattern=code,
        )
    for _ in range(3):
        put("Visit", knee=knee, seen_on=day)
    put("ScoreResponse", knee=knee, answered_on=day, instrument="lysholm", version="1985")

    call_command("migrate", database=OLD, verbosity=0)

    tears = Tear.objects.using(OLD).order_by("pk")
    assert [tear.accompanied_by for tear in tears] == [[], ["with delamination"], ["with a flap"]]
    assert len(set(Visit.objects.using(OLD).values_list("uuid", flat=True)) - {None}) == 3
    score = ScoreResponse.objects.using(OLD).get()
    assert (score.instrument_version, score.version) == ("1985", 1)
    with connections[OLD].cursor() as cursor:
        cursor.execute("SELECT count(*) FROM sqlite_master WHERE type = 'trigger'")
        assert cursor.fetchone()[0] > 100


def test_a_draft_of_a_form_is_found_under_that_form(old_database: Any) -> None:
    call_command("migrate", "registry", "0004_filled", database=OLD, verbosity=0)
    executor = MigrationExecutor(connections[OLD])
    old = executor.loader.project_state([("registry", "0004_filled")]).apps

    def put(model: str, **values: Any) -> Any:
        return old.get_model("registry", model)._base_manager.using(OLD).create(**values)

    unit = put("Unit", code="northmere", name="Northmere Hospital")
    patient = put("Patient", unit=unit, sex="female", born_on=date(1990, 1, 1))
    knee = put("Knee", patient=patient, side="left")
    koos = put(
        "ScoreResponse", knee=knee, answered_on=date(2024, 3, 1), instrument="koos", items={"Q1": 1, "Q2": 2}
    )
    user = put("User", username="oak")
    for page in ("/knees/1/record/score/", f"/knees/1/record/score/{koos.uuid}/", "/knees/1/record/visit/"):
        put("Draft", user=user, page=page, sealed="")

    call_command("migrate", database=OLD, verbosity=0)

    assert set(Draft.objects.using(OLD).values_list("page", flat=True)) == {
        "/knees/1/record/score-lysholm/",
        f"/knees/1/record/score-koos/{koos.uuid}/",
        "/knees/1/record/visit/",
    }
    assert ScoreResponse.objects.using(OLD).get().scale_values == {"qol": 62.5}
