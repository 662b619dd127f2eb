"""Cohorts for programs: named, shared, dropped and given new versions by the ways of the pages."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from uuid import UUID

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.http import Http404
from django.urls import resolve, reverse
from drf_spectacular.utils import OpenApiExample, OpenApiResponse
from rest_framework import status
from rest_framework.request import Request
from rest_framework.response import Response

from outcomes.api.cohort_shapes import (
    CohortSerializer,
    NewCohortSerializer,
    NewVersionSerializer,
    SharingSerializer,
    VersionSerializer,
    cohort_told,
    version_told,
)
from outcomes.api.telling import read, told
from outcomes.models import NamedCohort
from outcomes.naming import drop_cohort, name_cohort, new_version, share_cohort
from outcomes.pages.cohort_page import Found
from outcomes.pages.named_lines import Reader
from registry.access import Action, require
from registry.api.creating import REPLAYED, once
from registry.api.etags import etag, require_match, tagged
from registry.api.paging import page
from registry.api.problems import Problem, invalid, of_validation
from registry.api.schema import (
    CURSOR,
    ETAG,
    IDEMPOTENCY_KEY,
    IF_MATCH,
    LIMIT,
    LOCATION,
    REPLAYED_HEADER,
    page_of,
)
from registry.api.serializing import body_of
from registry.api.view import ApiView
from registry.models import Unit
from registry.vocabulary import Scope

TAG = "Cohorts"
_CREATING = (IDEMPOTENCY_KEY, ETAG, LOCATION, REPLAYED_HEADER)
_TAKES = (409, 413, 415, 422, 428)
NOT_YOUR_UNIT = "'{code}' is none of your units. Choose {known}, or null to share with nobody."
_EXAMPLE: dict[str, Any] = {
    "name": "Medial repairs of the young",
    "filters": {"meniscus": "medial", "age": "under_20", "failure": "any"},
    "shared_with": None,
}


class CohortView(ApiView):
    """Base of the views of cohorts."""

    read_scope = Scope.READ_FIGURES
    write_scope = Scope.NAME_COHORTS

    def reader(self, action: Action = Action.SEE_FIGURES) -> Reader:
        return Reader.of(self.person, require(self.person, action))

    def named(self, uuid: UUID, reader: Reader) -> NamedCohort:
        """A cohort that this reader may see."""
        named = reader.visible().filter(uuid=uuid).first()
        if named is None:
            raise Http404
        return named

    def answer(self, named: NamedCohort, reader: Reader, **more: Any) -> Response:
        return tagged(self.request, cohort_told(named, reader), **more)

    def found(self, uuid: UUID, number: int | None = None) -> Found:
        """A version that this reader may open, its latest unless a number is given."""
        reader = self.reader()
        named = self.named(uuid, reader)
        versions = {version.number: version for version in named.versions.all()}
        version = versions.get(number or max(versions))
        cohort = reader.cohort(version.query) if version else None
        if version is None or cohort is None:
            raise Http404
        return Found(named, version, reader, cohort)

    @contextmanager
    def changing(self, uuid: UUID) -> Iterator[tuple[NamedCohort, Reader]]:
        """A cohort of one's own, for whoever has seen it as it stands; held until the change is made."""
        reader = self.reader(Action.NAME_COHORT)
        _refuse_others(self.named(uuid, reader), reader)
        with transaction.atomic():
            NamedCohort.objects.select_for_update().filter(uuid=uuid).first()
            named = self.named(uuid, reader)
            require_match(self.request, etag(cohort_told(named, reader)))
            yield named, reader


class CohortList(CohortView):
    """All cohorts that one may see, and another one."""

    @told(
        TAG,
        "list_cohort",
        "Cohorts under a name: your own, and those shared with your units",
        {200: page_of(CohortSerializer, "CohortPage")},
        parameters=[CURSOR, LIMIT],
    )
    def get(self, request: Request) -> Response:
        reader = self.reader()
        return page(request, reader.visible(), lambda rows: [cohort_told(named, reader) for named in rows])

    @told(
        TAG,
        "name_cohort",
        "Keep filters and a definition of failure under a name",
        {201: CohortSerializer},
        *_TAKES,
        request=NewCohortSerializer,
        parameters=_CREATING,
        examples=[OpenApiExample("cohort", _EXAMPLE, request_only=True)],
    )
    def post(self, request: Request) -> Response:
        reader = self.reader(Action.NAME_COHORT)
        location, replayed = once(request, lambda: self._created(reader))
        named = self.named(resolve(location).kwargs["uuid"], reader)
        return self.answer(
            named, reader, status_code=status.HTTP_201_CREATED, headers=_made(location, replayed)
        )

    def _created(self, reader: Reader) -> str:
        sent = self.request.data
        said = body_of(NewCohortSerializer, sent)
        unit = _unit(said.get("shared_with"), reader)
        with _at_filters(sent):
            named = name_cohort(self.person, said["name"], said["filters"], unit)
        return reverse("api_cohort", args=[named.uuid])


class CohortOne(CohortView):
    """One cohort."""

    @read(
        TAG,
        "read_cohort",
        "One cohort",
        CohortSerializer,
        404,
    )
    def get(self, request: Request, uuid: UUID) -> Response:
        reader = self.reader()
        return self.answer(self.named(uuid, reader), reader)

    @told(
        TAG,
        "share_cohort",
        "Share a cohort of your own with one of your units, or with nobody",
        {200: CohortSerializer},
        404,
        412,
        *_TAKES,
        request=SharingSerializer,
        parameters=[IF_MATCH, ETAG],
    )
    def patch(self, request: Request, uuid: UUID) -> Response:
        with self.changing(uuid) as (named, reader):
            unit = _unit(body_of(SharingSerializer, request.data)["shared_with"], reader)
            share_cohort(named, self.person, unit)
        return self.answer(self.named(uuid, reader), reader)

    @told(
        TAG,
        "drop_cohort",
        "Forget a name of your own, with its versions; nothing of the record goes by it",
        {204: OpenApiResponse(description="It is forgotten.")},
        404,
        412,
        428,
        parameters=[IF_MATCH],
    )
    def delete(self, request: Request, uuid: UUID) -> Response:
        with self.changing(uuid) as (named, _):
            drop_cohort(named, self.person)
        return Response(status=status.HTTP_204_NO_CONTENT)


class VersionList(CohortView):
    """The versions of a cohort, and another one."""

    @told(
        TAG,
        "list_cohort_version",
        "The versions of a cohort that you may open, oldest first",
        {200: page_of(VersionSerializer, "CohortVersionPage")},
        404,
        parameters=[CURSOR, LIMIT],
    )
    def get(self, request: Request, uuid: UUID) -> Response:
        reader = self.reader()
        named = self.named(uuid, reader)
        cohorts = {version.pk: reader.cohort(version.query) for version in named.versions.all()}
        rows = named.versions.filter(pk__in=[pk for pk, cohort in cohorts.items() if cohort])
        return page(
            request,
            rows,
            lambda found: [
                version_told(Found(named, each, reader, cohort))
                for each in found
                if (cohort := cohorts[each.pk])
            ],
        )

    @told(
        TAG,
        "record_cohort_version",
        "Let a cohort of your own stand for other filters; its earlier versions stay as they are",
        {201: VersionSerializer},
        404,
        *_TAKES,
        request=NewVersionSerializer,
        parameters=_CREATING,
        examples=[OpenApiExample("version", {"filters": {"meniscus": "lateral"}}, request_only=True)],
    )
    def post(self, request: Request, uuid: UUID) -> Response:
        reader = self.reader(Action.NAME_COHORT)
        named = self.named(uuid, reader)
        _refuse_others(named, reader)
        location, replayed = once(request, lambda: self._created(named))
        told = version_told(self.found(uuid, resolve(location).kwargs["number"]))
        return tagged(request, told, status_code=status.HTTP_201_CREATED, headers=_made(location, replayed))

    def _created(self, named: NamedCohort) -> str:
        sent = self.request.data
        said = body_of(NewVersionSerializer, sent)
        with _at_filters(sent):
            version = new_version(named, self.person, said["filters"])
        return reverse("api_cohort_version", args=[named.uuid, version.number])


class VersionOne(CohortView):
    """One version of a cohort."""

    @read(
        TAG,
        "read_cohort_version",
        "One version of a cohort, with its flow as counted then and today",
        VersionSerializer,
        404,
    )
    def get(self, request: Request, uuid: UUID, number: int) -> Response:
        return tagged(request, version_told(self.found(uuid, number)))


def _refuse_others(named: NamedCohort, reader: Reader) -> None:
    """Its maker alone changes a cohort."""
    if named.made_by_id != reader.person.pk:
        raise PermissionDenied


def _unit(code: str | None, reader: Reader) -> Unit | None:
    if code is None:
        return None
    known = {unit.code: unit for unit in reader.units}
    if code not in known:
        words = NOT_YOUR_UNIT.format(code=code, known=" or ".join(known))
        raise invalid([Problem("/shared_with", words, code)])
    return known[code]


@contextmanager
def _at_filters(sent: Any) -> Iterator[None]:
    """What the names of cohorts call their query is `filters` in the body."""
    try:
        yield
    except ValidationError as error:
        by_field = error.update_error_dict({})
        placed = {("filters" if field == "query" else field): words for field, words in by_field.items()}
        raise invalid(of_validation(ValidationError(placed), sent)) from error


def _made(location: str, replayed: bool) -> dict[str, str]:
    return {"Location": location, **({REPLAYED: "true"} if replayed else {})}
