"""Pages ask the database the same number of questions at 20 repairs and at 2,000."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from registry.models import IndexProcedure, Knee, Repair, Tear
from tests import factories

pytestmark = pytest.mark.django_db


def fill(cast, n):
    """Bring the unit to n repaired knees, in bulk."""
    missing = n - Repair.objects.count()
    first = cast.repair.tear.procedure
    patients = [
        factories.Patient(unit=cast.unit, sex="male", born_on=factories.date(1990, 1, 1))
        for _ in range(missing)
    ]
    factories.Patient.objects.bulk_create(patients)
    knees = Knee.objects.bulk_create(Knee(patient=patient, side="left") for patient in patients)
    procedures = IndexProcedure.objects.bulk_create(
        IndexProcedure(
            knee=knee,
            unit=cast.unit,
            lead_surgeon=cast.oak,
            operated_on=first.operated_on,
            injured_on=first.injured_on,
            recorded_at=first.recorded_at,
        )
        for knee in knees
    )
    tears = Tear.objects.bulk_create(
        Tear(
            procedure=procedure, meniscus="medial", pattern="radial", vascular_zone="RW", treatment="repaired"
        )
        for procedure in procedures
    )
    Repair.objects.bulk_create(
        Repair(tear=tear, all_inside=True, recorded_at=first.recorded_at) for tear in tears
    )


def queries(client, address):
    with CaptureQueriesContext(
        connection,
    ) as captured:
        assert client.get(address).status_code == 200
    return len(captured)


@pytest.mark.parametrize(("page", "at_most"), [("survival", 16), ("scores", 10), ("repairs", 12)])
def test_same_number_of_queries_at_20_and_2000_repairs(cast, page, at_most):
    client = cast.client("surgeon")
    fill(cast, 20)
    few = queries(client, reverse(page))
    fill(cast, 2000)
    many = queries(client, reverse(page))
    assert Repair.objects.count() == 2000
    assert few == many <= at_most
