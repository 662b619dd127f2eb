"""Which entries a list holds: of a knee, and those changed since a time."""

from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet
from django.utils.dateparse import parse_datetime
from django.utils.timezone import is_aware
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request

from registry.api.paging import refused
from registry.models import Correction, Entry

KNEE = OpenApiParameter("knee", OpenApiTypes.UUID, description="Of this knee alone.")
CHANGED_SINCE = OpenApiParameter(
    "changed_since",
    OpenApiTypes.DATETIME,
    description="Recorded, corrected, withdrawn or brought back since; those withdrawn come along.",
)


def listed(request: Request, rows: QuerySet[Any], knee_path: str) -> QuerySet[Any]:
    """The rows that the address asks for. Withdrawn ones only come where what changed is asked for."""
    if knee := uuid_in(request, "knee"):
        rows = rows.filter(**{knee_path: knee})
    if since := _moment_in(request, "changed_since"):
        return rows.filter(changed_since(rows.model, since))
    return rows.filter(withdrawn_at__isnull=True)


def changed_since(model: type[Entry], since: datetime) -> Q:
    """Entries recorded since, or of which any part was changed since."""
    corrected = Correction.objects.filter(entry_table=model._meta.db_table, made_at__gte=since)
    return Q(recorded_at__gte=since) | Q(pk__in=corrected.values("entry_id"))


def uuid_in(request: Request, name: str) -> UUID | None:
    """A parameter that names something by its UUID; None where it is not given."""
    said = request.query_params.get(name)
    if said is None:
        return None
    try:
        return UUID(said)
    except ValueError as error:
        raise refused(name, said, "This is no UUID. Correct it.") from error


def _moment_in(request: Request, name: str) -> datetime | None:
    said = request.query_params.get(name)
    if said is None:
        return None
    try:
        moment = parse_datetime(said)
    except ValueError:
        moment = None
    if moment is None or not is_aware(moment) or not 1900 < moment.year < 9999:
        words = "Give a time of ISO 8601 with its offset, such as 2026-01-31T08:00:00Z."
        raise refused(name, said, words)
    return moment
