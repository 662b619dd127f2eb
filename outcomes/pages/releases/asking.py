"""New release: the form, what of the chosen cohort may leave, and the start of the work."""

from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from outcomes.models.release import ReleaseJob
from outcomes.pages.releases.cautions import CAUTIONS
from outcomes.pages.releases.cohort_choice import Choices, asked_in
from outcomes.pages.releases.form import ReleaseForm, as_typed
from outcomes.pages.releases.found import job_for
from outcomes.release import making, work
from outcomes.release.asked import MOST_SUPPRESSED, Asked
from registry.access import Action, require
from registry.models import User
from registry.pages.unit import person_of
from registry.signing_in.confirming import confirm_first

# The fields of a request that the form calls by another name.
FIELDS = {"cohort_name": "cohort", "cohort_version": "cohort", "units": "cohort", "definition": "failure"}


@confirm_first
def new_release(request: HttpRequest) -> HttpResponse:
    """The form; a sound one starts the work and shows it."""
    units = require(request.user, Action.RELEASE)
    person = person_of(request)
    before = _before(request)
    asked = request.POST.get("cohort") or asked_in(request.GET)
    choices = Choices.of(person, units, asked, before)
    initial = as_typed(before, choices) if before else {}
    form = ReleaseForm(units, choices, request.POST or None, initial | ({"cohort": asked} if asked else {}))
    if request.method == "POST" and form.is_valid() and (job := _start(form, person)):
        return redirect("release_job", job.uuid)
    context = {
        "form": form,
        "chosen": form.chosen,
        "cautions": CAUTIONS,
        "most_suppressed": f"{MOST_SUPPRESSED:.0%}".replace("%", " %"),
    }
    return render(request, "outcomes/releases/new.html", context, status=422 if form.is_bound else 200)


def _before(request: HttpRequest) -> Asked | None:
    """The request of earlier work that the address names, to be changed and asked again."""
    key = request.GET.get("from", "")
    try:
        return Asked.from_json(job_for(request, UUID(key)).asked) if key else None
    except ValueError:
        return None


def _start(form: ReleaseForm, person: User) -> ReleaseJob | None:
    """The job, started; None, with the reason on its field, where the gate refuses."""
    asked = form.asked
    try:
        making.gate(asked, person)
    except ValidationError as refusal:
        _refuse(form, refusal)
        return None
    job = ReleaseJob.objects.create(asked_by=person, asked=asked.as_json())
    work.start(job)
    return job


def _refuse(form: ReleaseForm, refusal: ValidationError) -> None:
    """Each reason on its field."""
    reasons: dict[str, Any] = getattr(refusal, "error_dict", None) or {"": refusal}
    for name, words in reasons.items():
        field = FIELDS.get(name, name)
        form.add_error(field if field in form.fields else None, words)
