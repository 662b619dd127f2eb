"""A database of the first release becomes one of today without losing what it holds."""

from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connections
from django.db.migrations.executor import MigrationExecutor

from registry.models import Draft, ScoreResponse, Tear, Visit
from tests.upgrading import OLD, database_of

Put = Callable[..., Any]
FIRST_RELEASE = ("registry", "0001_record")
BEFORE_FOLLOW_UP = ("registry", "0004_filled")
DAY = date(2024, 3, 1)


@pytest.fixture(scope="module")
def upgraded(tmp_path_factory: pytest.TempPathFactory, django_db_blocker: Any) -> Iterator[Any]:
    """The first release with rows of its time, brought to a later one with rows of that, then to today.

    Gives the score whose form a draft was of.
    """
    with database_of(FIRST_RELEASE, tmp_path_factory.mktemp("old"), django_db_blocker) as apps:
        _rows_of_the_first_release(_putting(apps))
        call_command("migrate", *BEFORE_FOLLOW_UP, database=OLD, verbosity=0)
        later = MigrationExecutor(connections[OLD]).loader.project_state([BEFORE_FOLLOW_UP]).apps
        koos = _drafts(_putting(later))
        call_command("migrate", database=OLD, verbosity=0)
        yield koos


def _putting(apps: Any) -> Put:
    def put(model: str, **values: Any) -> Any:
        return apps.get_model("registry", model)._base_manager.using(OLD).create(**values)

    return put


def _rows_of_the_first_release(put: Put) -> None:
    unit = put("Unit", code="northmere", name="Northmere Hospital")
    oak = put("Surgeon", code="oak", name="Dr Oak")
    knee = put("Knee", patient=put("Patient", unit=unit, sex="female", born_on=date(1990, 1, 1)), side="left")
    procedure = put(
        "IndexProcedure",
        knee=knee,
        unit=unit,
        lead_surgeon=oak,
        operated_on=DAY,
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
        put("Visit", knee=knee, seen_on=DAY)
    put("ScoreResponse", knee=knee, answered_on=DAY, instrument="lysholm", version="1985")


def _drafts(put: Put) -> Any:
    unit = put("Unit", code="southmere", name="Southmere Hospital")
    knee = put("Knee", patient=put("Patient", unit=unit, sex="female", born_on=date(1990, 1, 1)), side="left")
    koos = put("ScoreResponse", knee=knee, answered_on=DAY, instrument="koos", items={"Q1": 1, "Q2": 2})
    user = put("User", username="oak")
    for page in ("/knees/1/record/score/", f"/knees/1/record/score/{koos.uuid}/", "/knees/1/record/visit/"):
        put("Draft", user=user, page=page, sealed="")
    return koos


def test_rows_of_the_first_release_are_carried_over(upgraded: Any) -> None:
    tears = Tear.objects.using(OLD).order_by("pk")
    assert [tear.accompanied_by for tear in tears] == [[], ["with delamination"], ["with a flap"]]
    assert len(set(Visit.objects.using(OLD).values_list("uuid", flat=True)) - {None}) == 3
    score = ScoreResponse.objects.using(OLD).get(instrument="lysholm")
    assert (score.instrument_version, score.version) == ("1985", 1)
    with connections[OLD].cursor() as cursor:
        cursor.execute("SELECT count(*) FROM sqlite_master WHERE type = 'trigger'")
        assert cursor.fetchone()[0] > 100


def test_a_draft_of_a_form_is_found_under_that_form(upgraded: Any) -> None:
    assert set(Draft.objects.using(OLD).values_list("page", flat=True)) == {
        "/knees/1/record/score-lysholm/",
        f"/knees/1/record/score-koos/{upgraded.uuid}/",
        "/knees/1/record/visit/",
    }
    assert ScoreResponse.objects.using(OLD).get(instrument="koos").scale_values == {"qol": 62.5}
