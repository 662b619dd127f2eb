"""What patients reported, visits booked and reviews given up: read, withdrawn and brought back."""

from collections.abc import Sequence
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from registry.access import knees_for
from registry.api.events import GIVEN, kept, of_knee
from registry.api.resource import Resource
from registry.api.serializing import row_serializer
from registry.models import BookedVisit, Entry, GivenUpReview, PatientReport, User

# What a patient said in words is sealed, and why a report was set aside is free text: neither is told here.
_REPORT = (
    "answered_on",
    "time_point",
    "way",
    "operated_again",
    "fever",
    "calf_pain",
    "locked_knee",
    "signs_seen_to",
)


class Read(Resource):
    """Entries made on pages of their own; what a patient reported is seen to there as well."""

    def __init__(
        self, slug: str, name: str, model: type[Entry], fields: Sequence[str], *, refers: Sequence[str] = ()
    ) -> None:
        self.slug, self.name, self.words = slug, name, str(model._meta.verbose_name)
        self.model, self.refers = model, refers
        self.may_be_withdrawn = model is not PatientReport
        others = {each: serializers.UUIDField(source=f"{each}.uuid", **GIVEN) for each in refers}
        title = name.title().replace("_", "")
        self.shown = row_serializer(title, model, fields, read_only=fields, **kept(), **of_knee(), **others)

    def rows(self, person: User) -> QuerySet[Any]:
        model: Any = self.model
        rows: QuerySet[Any] = model.ever.filter(knee__in=knees_for(person))
        return rows.select_related("knee__patient", *self.refers)


READ = (
    Read("patient-reports", "patient_report", PatientReport, _REPORT, refers=("reoperation", "operation")),
    Read("booked-visits", "booked_visit", BookedVisit, ("booked_for", "time_point")),
    Read("given-up-reviews", "given_up_review", GivenUpReview, ("given_up_on", "time_point", "reason")),
)
