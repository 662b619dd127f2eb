"""The intakes that a person may see: those of units for which they take in."""

from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404, HttpRequest

from registry.access import Action, require
from registry.models import Intake, Unit


def intakes_of(units: QuerySet[Unit]) -> QuerySet[Intake]:
    """The intakes of these units, newest first, without their files."""
    found = Intake.objects.filter(unit__in=units).select_related(
        "unit", "begun_by", "taken_in_by", "undone_by"
    )
    return found.defer("file_sealed")


def intake_for(request: HttpRequest, key: UUID) -> Intake:
    """One intake of a unit for which this person takes in; 404 for any other."""
    intake = intakes_of(require(request.user, Action.TAKE_IN)).filter(uuid=key).first()
    if intake is None:
        raise Http404
    return intake
