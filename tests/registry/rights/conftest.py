"""A patient with a row of everything that can hang on one, beside the rest of the cast."""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import pytest
from django.utils import timezone

from registry.models import (
    Draft,
    IdentityView,
    Intake,
    IntakeRow,
    Knee,
    Message,
    OpeningKind,
    Patient,
    PatientLink,
)
from registry.recording import record
from registry.rights import openings
from registry.sealing import seal
from tests import factories
from tests.conftest import Cast
from tests.registry.one_of_each import one_of_each

NUMBER = "n-1"
# Written into every place that takes words, so that none is overlooked afterwards.
CANARY = "Zephyrine Quillfeather"
# As it was corrected twice; nobody else of the cast was born then.
BORN_ON = (date(1988, 11, 22), date(1988, 11, 23))


@dataclass(frozen=True)
class Whole:
    """The cast, and a patient of theirs with one of everything."""

    cast: Cast
    rows: dict[str, Any]

    @property
    def patient(self) -> Patient:
        return Patient.ever.get(pk=self.rows["Patient"].pk)

    @property
    def knee(self) -> Knee:
        return Knee.ever.get(pk=self.rows["Knee"].pk)


@pytest.fixture
def whole(cast: Cast) -> Whole:
    rows: dict[str, Any] = dict(one_of_each(cast))
    patient, report = rows["Patient"], rows["PatientReport"]
    factories.corrected(rows["Identity"], family_name_sealed=seal(CANARY), phone_sealed=seal("555 0100"))
    for born_on in BORN_ON:
        factories.corrected(patient, born_on=born_on)
    factories.corrected(report, where_sealed=seal(CANARY), no_reoperation_because=f"{CANARY} was mistaken")
    factories.corrected(rows["SoftAnswer"], answer=f"{CANARY} said so")
    factories.corrected(rows["Implant"], serial="SN-4711")
    factories.withdrawn(rows["Visit"])
    link = PatientLink(
        knee=rows["Knee"],
        time_point="3m",
        language="en",
        expires_at=timezone.now() + timedelta(days=9),
        report=report,
        answers_sealed=seal('{"report": {"where": "Zephyrine Quillfeather"}, "items": {}}'),
    )
    record(link, Message(link=link, kind="invitation", channel="email"))
    record(IdentityView(patient=patient, user=cast.surgeon, reason=f"{CANARY} rang"))
    openings.note(patient, cast.surgeon, OpeningKind.STORY)
    _brought(cast, rows)
    Draft.objects.create(
        user=cast.surgeon, page=f"/knees/{rows['Knee'].uuid}/record/visit/", sealed=seal("{}")
    )
    typed = '{"identity-hospital_number": ["N - 1"]}'
    Draft.objects.create(user=cast.surgeon, page="/operations/new/", sealed=seal(typed))
    return Whole(cast, rows)


def _brought(cast: Cast, rows: dict[str, Any]) -> None:
    intake = Intake(
        unit=cast.unit,
        begun_by=cast.surgeon,
        file_name="old.csv",
        file_sha256="0" * 64,
        state="taken_in",
        taken_in_by=cast.surgeon,
        taken_in_at=timezone.now(),
    )
    record(intake)
    for name in ("Patient", "Identity", "Knee", "Tear"):
        row = rows[name]
        record(IntakeRow(intake=intake, row_table=row._meta.db_table, row_id=row.pk))
