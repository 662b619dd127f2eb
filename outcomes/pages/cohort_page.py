"""One cohort: sentence, flow as frozen and as of today, versions; and the page that builds one."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST

from outcomes.cohort import Cohort
from outcomes.cohort_versions import as_json, flow_of, is_seen_by, overlap, since
from outcomes.flow import cohort_flow
from outcomes.isolation import refusal
from outcomes.models import CohortVersion, NamedCohort
from outcomes.naming import FAILURE, new_version
from outcomes.pages.filters import FailureForm
from outcomes.pages.named_cohorts import SECOND
from outcomes.pages.named_lines import Line, Reader
from registry.access import Action, actions_of, require
from registry.pages.unit import person_of


@dataclass(frozen=True, slots=True)
class Found:
    """A version of a named cohort, with who reads it."""

    named: NamedCohort
    version: CohortVersion
    reader: Reader
    cohort: Cohort

    @property
    def code(self) -> str:
        return f"{self.named.uuid}:{self.version.number}"

    @property
    def query(self) -> dict[str, str]:
        definition, _ = self.reader.definition(self.version.definition)
        return {**self.cohort.query(), FAILURE: definition.code}

    @property
    def reason(self) -> str:
        """Why its counts are not shown to this reader; empty when they are."""
        return refusal(self.reader.person, self.cohort, self.reader.units)


def named_cohort(request: HttpRequest, cohort: UUID) -> HttpResponse:
    """A version of a cohort, its latest unless the address names another."""
    found = _found(request, cohort, request.GET.get("version", ""))
    units, version = found.reader.units, found.version
    definition, note = found.reader.definition(version.definition)
    reason = found.reason
    is_frozen = not reason and is_seen_by(version, units)
    context = {
        "named": found.named,
        "version": version,
        "versions": found.named.versions.all(),
        "line": Line.of(found.named, found.reader),
        "sentence": found.reader.sentence(found.cohort),
        "definition": definition,
        "note": note,
        "reason": reason,
        "frozen": flow_of(version) if is_frozen else (),
        "since": since(version, found.cohort, units) if is_frozen else None,
        "today": () if reason else cohort_flow(found.cohort, units),
        "survival_url": f"{reverse('survival')}?{urlencode(found.query)}",
        "build_url": f"{reverse('new_cohort')}?{urlencode({**found.query, 'of': str(found.named.uuid)})}",
        "is_own": found.named.made_by_id == found.reader.person.pk,
        "may_release": Action.RELEASE in actions_of(request.user),
        **(_beside(request, found) if is_frozen else {}),
    }
    return render(request, "outcomes/named_cohort.html", context)


def named_cohort_json(request: HttpRequest, cohort: UUID) -> HttpResponse:
    """A version as a file: filters, sentence, definition and flow as frozen."""
    found = _found(request, cohort, request.GET.get("version", ""))
    if not is_seen_by(found.version, found.reader.units):
        raise Http404
    if reason := found.reason:
        return HttpResponse(reason, content_type="text/plain; charset=utf-8", status=403)
    found.version.cohort = found.named
    definition, _ = found.reader.definition(found.version.definition)
    told = as_json(found.version, found.reader.sentence(found.cohort), definition)
    response = JsonResponse(told, json_dumps_params={"indent": 1, "ensure_ascii": False})
    response["Content-Disposition"] = (
        f'attachment; filename="cohort-{found.named.uuid}-{found.version.number}.json"'
    )
    return response


def new_cohort(request: HttpRequest) -> HttpResponse:
    """Filters with their counts; kept under a new name, or as the next version of a cohort of one's own."""
    units = require(request.user, Action.NAME_COHORT)
    form = FailureForm(request.GET, units)
    of = _own(request, request.GET.get("of", ""))
    context: dict[str, Any] = {"form": form, "of": of, "of_key": of.uuid if of else ""}
    if form.is_valid():
        context["reason"] = reason = refusal(person_of(request), form.cohort, units)
        context |= {
            "steps": () if reason else cohort_flow(form.cohort, units),
            "sentence": form.cohort.sentence(units),
            "definition": form.definition,
            "cohort_query": urlencode({**form.cohort.query(), FAILURE: form.definition.code}),
        }
    return render(request, "outcomes/new_cohort.html", context, status=200 if form.is_valid() else 400)


@require_POST
def named_cohort_versions(request: HttpRequest, cohort: UUID) -> HttpResponse:
    """Keep other filters as the next version of a cohort of one's own."""
    named = _visible(request, str(cohort), Action.NAME_COHORT)
    try:
        version = new_version(named, person_of(request), QueryDict(request.POST.get("query", "")).dict())
    except ValidationError as refusal:
        messages.error(request, f"'{named}' stays as it is. {' '.join(refusal.messages)}")
    else:
        messages.success(request, f"Version {version.number} of '{named}' is kept.")
    return redirect("named_cohort", named.uuid)


# --- which ------------------------------------------------------------------------------------


def _found(request: HttpRequest, key: UUID, number: str) -> Found:
    """A version that this person may open; 404 for any other."""
    named = _visible(request, str(key), Action.SEE_FIGURES)
    reader = Reader.of(person_of(request), require(request.user, Action.SEE_FIGURES))
    versions = {str(version.number): version for version in named.versions.all()}
    version = versions.get(number) if number else named.latest
    cohort = reader.cohort(version.query) if version else None
    if version is None or cohort is None:
        raise Http404
    return Found(named, version, reader, cohort)


def _visible(request: HttpRequest, key: str, action: Action) -> NamedCohort:
    reader = Reader.of(person_of(request), require(request.user, action))
    named = reader.visible().filter(uuid=key).first()
    if named is None:
        raise Http404
    return named


def _own(request: HttpRequest, key: str) -> NamedCohort | None:
    """The cohort that the filters may become a version of; None when it is not this person's."""
    try:
        return NamedCohort.objects.filter(uuid=UUID(key), made_by=person_of(request)).first()
    except ValueError:
        return None


# --- beside another ---------------------------------------------------------------------------


def _others(found: Found) -> Iterator[tuple[str, str]]:
    """Versions to lay beside this one: the other versions of this name, and the latest of each other name."""
    for version in found.named.versions.all():
        if version.number != found.version.number and is_seen_by(version, found.reader.units):
            yield f"{found.named.uuid}:{version.number}", f"This cohort, version {version.number}"
    for named in found.reader.visible().exclude(pk=found.named.pk):
        if is_seen_by(named.latest, found.reader.units) and found.reader.cohort(named.query):
            yield f"{named.uuid}:{named.latest.number}", f"{named}, version {named.latest.number}"


def _beside(request: HttpRequest, found: Found) -> dict[str, Any]:
    """The versions to choose from, and what this one and the chosen one hold in common."""
    others = dict(_others(found))
    code = request.GET.get("with", "")
    context: dict[str, Any] = {"others": list(others.items()), "with": code}
    if code not in others:
        return context
    key, _, number = code.partition(":")
    other = _found(request, UUID(key), number)
    context["beside_reason"] = reason = other.reason
    return context if reason else context | _compared(found, other)


def _compared(found: Found, other: Found) -> dict[str, Any]:
    """How much two versions hold in common."""
    query = found.query | {f"{SECOND}{name}": value for name, value in other.query.items()}
    return {
        "other": other.version,
        "other_name": other.named.name,
        "overlap": overlap(found.version, other.version),
        "side_by_side_url": f"{reverse('survival_compare')}?{urlencode(query)}",
    }
