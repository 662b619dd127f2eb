"""Knee story: one knee on one page, from injury to the last that is known of it."""

from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from registry.access import Action, knee_for, knees_for
from registry.models import Knee
from registry.pages.due.panel import reviews_panel
from registry.pages.forms.events import open_kinds
from registry.pages.story import Reader, Teller, story
from registry.pages.story.keeping import withdrawn_entries
from registry.pages.story.maps import maps
from registry.pages.story.moment import Link
from registry.pages.story.to_complete import to_complete


def knee_story(request: HttpRequest, knee: UUID) -> HttpResponse:
    """The time line with its maps, what is missing, and what may be recorded next."""
    found = knee_for(request.user, knee)
    reader = Reader.of(request.user, found)
    told = Teller.of(found, reader)
    context = {
        "knee": found,
        "about": _about(request, found, reader),
        "may_operate": reader.may_operate,
        "kinds": open_kinds(found, told.end).values() if reader.may_record else [],
        "to_complete": to_complete(told),
        "maps": maps(told),
        "moments": story(told),
        "withdrawn": withdrawn_entries(found),
        "planned_reviews": reviews_panel(found, request.user),
    }
    return render(request, "registry/knee_story.html", context)


def _about(request: HttpRequest, knee: Knee, reader: Reader) -> list[Link]:
    """Pages about this knee that are no entries of it."""
    identity = Link("Identity", reverse("identity", args=[knee.uuid]))
    file = Link("Patient's file", reverse("patient_file", args=[knee.uuid]))
    correct = Link("Correct patient or side", reverse("correct_patient", args=[knee.uuid]))
    may_identify = knees_for(request.user, Action.SEE_IDENTITY).filter(pk=knee.pk).exists()
    return [
        *([identity, file] if may_identify else []),
        Link("History", reverse("history", args=[knee.uuid])),
        *([correct] if reader.may_record else []),
        Link("As FHIR", reverse("knee_fhir", args=[knee.uuid])),
    ]
