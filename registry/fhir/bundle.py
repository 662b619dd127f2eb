"""The Bundle of one patient: every resource once, each with the time it was last changed."""

from collections.abc import Iterator
from datetime import datetime

from django.db.models import Max, QuerySet

from registry.fhir.datatypes import Json, instant
from registry.fhir.follow_up import FOLLOW_UP, end_resources
from registry.fhir.operation import operation_resources
from registry.fhir.people import patient_resource
from registry.models import Correction, Entry, Knee, Patient


def bundle(patient: Patient, seen: QuerySet[Knee] | None = None) -> Json:
    """A patient's standing record as a Bundle of type collection; only knees that are `seen`, if given."""
    entries = [
        {"fullUrl": f"urn:uuid:{resource['id']}", "resource": resource}
        for resource in resources(patient, seen)
    ]
    return {"resourceType": "Bundle", "id": str(patient.uuid), "type": "collection", "entry": entries}


def resources(patient: Patient, seen: QuerySet[Knee] | None = None) -> Iterator[Json]:
    """The resources of a patient, in the order of the record."""
    changed = _changed(patient)
    yield patient_resource(patient)
    knees = patient.knees.all() if seen is None else patient.knees.filter(pk__in=seen.values("pk"))
    for knee in knees.order_by("side"):
        knee.patient = patient
        for procedure in knee.procedures.order_by("operated_on", "pk"):
            procedure.knee = knee
            yield from _dated(operation_resources(procedure), procedure, changed)
        for relation, made in FOLLOW_UP.items():
            for entry in getattr(knee, relation).all():
                entry.knee = knee
                yield from _dated(made(entry), entry, changed)
    for end in patient.ends_of_follow_up.all():
        end.patient = patient
        yield from _dated(end_resources(end), end, changed)


def _dated(made: Iterator[Json], entry: Entry, changed: dict[tuple[str, int], datetime]) -> Iterator[Json]:
    at = max(entry.recorded_at, changed.get((entry._meta.db_table, entry.pk), entry.recorded_at))
    for resource in made:
        yield resource | {"meta": {"lastUpdated": instant(at)}}


def _changed(patient: Patient) -> dict[tuple[str, int], datetime]:
    """When each entry of a patient was last corrected."""
    rows = (
        Correction.objects.filter(patient=patient)
        .values("entry_table", "entry_id")
        .annotate(latest=Max("made_at"))
    )
    return {(row["entry_table"], row["entry_id"]): row["latest"] for row in rows}
