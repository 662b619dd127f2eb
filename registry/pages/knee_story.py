"""Knee story: one knee on one page, from injury to the last that is known of it."""

from uuid import UUID

from django.db.models import prefetch_related_objects
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import cache_control

from registry.access import Action, knee_for, knees_for, units_for
from registry.models import EndOfFollowUp
from registry.pages.forms.events import open_kinds
from registry.pages.story import READS, story


@cache_control(no_store=True)
def knee_story(request: HttpRequest, knee: UUID) -> HttpResponse:
    """The time line, what may be recorded next, and where each repair stands (loaded in place)."""
    found = knee_for(request.user, knee)
    prefetch_related_objects([found], *READS)
    end = EndOfFollowUp.objects.filter(patient=found.patient).first()
    own_units = set(units_for(request.user, Action.SEE_RECORD).values_list("pk", flat=True))
    may_record = knees_for(request.user, Action.RECORD_FOLLOW_UP).filter(pk=found.pk).exists()
    may_operate = knees_for(request.user, Action.RECORD_OPERATION).filter(pk=found.pk).exists()
    context = {
        "may_operate": may_operate,
        "may_identify": knees_for(request.user, Action.SEE_IDENTITY).filter(pk=found.pk).exists(),
        "knee": found,
        "moments": story(found, end, own_units),
        "kinds": open_kinds(found, end).values() if may_record else [],
    }
    return render(request, "registry/knee_story.html", context)
