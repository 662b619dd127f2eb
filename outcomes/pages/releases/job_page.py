"""One release in the making: how far the work is, the preview, and what a person does with it."""

from collections.abc import Callable
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST

from outcomes.definitions import definition_coded
from outcomes.models.release import JobState, ReleaseJob
from outcomes.pages.releases.cautions import CAUTIONS
from outcomes.pages.releases.found import job_for
from outcomes.pages.releases.preview_told import Told
from outcomes.release import work
from outcomes.release.asked import Asked
from outcomes.release.refusals import ReleaseRefusedError
from registry.background import is_silent_since
from registry.models import User
from registry.pages.unit import person_of
from registry.signing_in.confirming import confirm_first

AT_WORK = (JobState.ASKED, JobState.PREPARING, JobState.CONFIRMED, JobState.PACKING)
SILENT = (
    "Nothing was heard of this work for more than a minute; the machine may have been restarted. It goes on "
    "from where it stood."
)
NOT_TAKEN_UP = "Nobody has taken it up yet. Where that lasts longer than some seconds, start it again."


def release_job(request: HttpRequest, job: UUID) -> HttpResponse:
    """Progress, preview or the reason why not; on to the release once there is one."""
    found = job_for(request, job)
    is_at_work = found.state in AT_WORK
    if request.headers.get("HX-Request") and not is_at_work:
        # Asked for by the bar alone: the whole page has something else to show now.
        return HttpResponse(headers={"HX-Refresh": "true"})
    if found.entry:
        return redirect("release", found.entry.uuid)
    asked = Asked.from_json(found.asked)
    context = {
        "job": found,
        "asked": asked,
        "definition": definition_coded(asked.definition),
        "is_at_work": is_at_work,
        "silent": _silent(found) if is_at_work else "",
        "is_prepared": found.state == JobState.PREPARED,
        "preview": Told.of(found.preview) if found.preview else None,
        "cautions": CAUTIONS,
    }
    return render(request, "outcomes/releases/job.html", context)


@require_POST
@confirm_first
def confirm_job(request: HttpRequest, job: UUID) -> HttpResponse:
    """Release what the preview shows."""
    return _acted(request, job, work.confirm)


@require_POST
def cancel_job(request: HttpRequest, job: UUID) -> HttpResponse:
    """Stop the work, or drop what it prepared; nothing of it stays."""
    return _acted(request, job, work.cancel)


@require_POST
def go_on_job(request: HttpRequest, job: UUID) -> HttpResponse:
    """Carry on with work that broke off, from where it stood."""
    return _acted(request, job, lambda found, _: work.go_on(found))


def _acted(request: HttpRequest, key: UUID, act: Callable[[ReleaseJob, User], object]) -> HttpResponse:
    """Do it and show where the work stands; told in words when it cannot be done as things stand now."""
    found = job_for(request, key)
    try:
        act(found, person_of(request))
    except (ValidationError, ReleaseRefusedError) as refusal:
        messages.error(request, " ".join(getattr(refusal, "messages", [str(refusal)])))
    return redirect("release_job", found.uuid)


def _silent(job: ReleaseJob) -> str:
    """Why the work may have to be started again; empty while somebody is at it."""
    if job.state == JobState.CONFIRMED:
        return NOT_TAKEN_UP
    last = job.beat_at or job.asked_at
    return SILENT if is_silent_since(last) else ""
