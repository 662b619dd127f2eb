"""Rows of two units, in every table of both apps that has a rule; run as a program, it prints whose each is.

What one unit's rows are is found by what was there after its rows were made and not before.
"""

import json
from datetime import date, timedelta
from io import StringIO
from types import SimpleNamespace
from typing import Any

import django

DAY = date(2026, 1, 5)


def main() -> None:
    from django.core.management import call_command

    from registry.models import Surgeon
    from tests import factories
    from tests.tables import make_tables

    make_tables()
    call_command("roles", stdout=StringIO())
    before, made = _keys(), {}
    for name in ("northmere", "southmere"):
        unit = _all_of_a_unit(name)
        # Its code is wanted for the other unit's second reader.
        factories.corrected(Surgeon.objects.get(code="yew"), code=f"yew-of-{name}")
        after = _keys()
        made[name] = {
            "unit": unit.pk,
            "rows": {table: sorted(after[table] - before[table]) for table in after},
            "people": {each.user.username: each.user_id for each in unit.memberships.select_related("user")},
        }
        before = after
    print(json.dumps(made))  # noqa: T201


def _keys() -> dict[str, set[str]]:
    from registry.isolation.rules import our_models, rule_of

    return {
        model._meta.db_table: {str(key) for key in model._base_manager.values_list("pk", flat=True)}
        for model in our_models()
        if rule_of(model)
    }


def _all_of_a_unit(name: str) -> Any:
    from registry.vocabulary import Role
    from tests import factories
    from tests.registry.one_of_each import one_of_each

    unit = factories.a_unit(name)
    people = {role.value: factories.a_person(f"{role.value}-{name}", (role.value, unit)) for role in Role}
    oak = factories.a_surgeon(unit, f"oak-{name}", people["surgeon"])
    rows = one_of_each(SimpleNamespace(unit=unit, oak=oak))  # type: ignore[arg-type]  # all of the cast it needs
    _around_the_record(unit, people["surgeon"], rows)
    _of_outcomes(unit, people["coordinator"])
    return unit


def _around_the_record(unit: Any, person: Any, rows: dict[str, Any]) -> None:
    from django.utils import timezone

    from registry import models

    patient, knee, later = rows["Patient"], rows["Knee"], timezone.now() + timedelta(days=1)
    models.IdentityView.objects.create(patient=patient, user=person, reason="a letter")
    models.Opening.objects.create(patient=patient, user=person, kind="story", day=DAY)
    models.LotLookUp.objects.create(user=person, lot="A1", reason="recall", knees_found=1)
    models.Draft.objects.create(user=person, page="/operations/new/", sealed="sealed")
    models.Creation.objects.create(user=person, key="1", request_digest="0" * 64, location="/api/v1/x/")
    link = models.PatientLink.objects.create(knee=knee, time_point="3m", language="en", expires_at=later)
    models.Message.objects.create(link=link, kind="invitation", channel="email")
    intake = models.Intake.objects.create(
        unit=unit, begun_by=person, file_name="old.xlsx", file_sha256="0" * 64
    )
    models.IntakeRow.objects.create(intake=intake, row_table="registry_visit", row_id=rows["Visit"].pk)
    models.IntakeMemory.objects.create(unit=unit, header="0" * 64)
    models.Invitation.objects.create(unit=unit, digest=unit.code, label="a colleague", expires_at=later)
    models.Erasure.objects.create(
        unit=unit,
        patient_uuid=link.uuid,
        asked_on=DAY,
        by=person,
        reason="asked",
        keeps_outcome=False,
        in_hand=False,
    )


def _of_outcomes(unit: Any, person: Any) -> None:
    from outcomes import models
    from outcomes.models.release import ReleaseJob
    from outcomes.release import ledger

    models.Briefing.objects.create(
        unit=unit,
        made_by=person,
        definition="reoperation",
        closed_on=DAY,
        numbers={},
        html_gzipped=b"",
        sha256="0",
    )
    models.OwnDefinition.objects.create(unit=unit, name="ours", sources=[], made_by=person)
    named = models.NamedCohort.objects.create(name="all of ours", shared_with=unit, made_by=person)
    models.CohortVersion.objects.create(cohort=named, number=1, made_by=person)
    ReleaseJob.objects.create(asked_by=person, asked={"units": [unit.code]})
    entry = ledger.write(models.LedgerKind.ROWS, person, {"asked": {"units": [unit.code]}})
    ledger.write(models.LedgerKind.RECALL, person, {"reason": "by mistake"}, of=entry)


if __name__ == "__main__":
    django.setup()
    main()
