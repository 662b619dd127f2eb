"""Identity: the one page that shows who a patient is. It asks why, and every opening is logged."""

from typing import ClassVar
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import cache_control

from registry.access import Action, knee_for
from registry.models import Identity, IdentityView, Patient, User
from registry.pages.forms.base import RecordForm
from registry.recording import record


class ReasonForm(RecordForm):
    """Why an identity is opened."""

    class Meta:
        model = IdentityView
        fields = ("reason",)
        help_texts: ClassVar = {
            "reason": "Kept with your name and the time, for anybody who may see this page."
        }


@cache_control(no_store=True)
def identity(request: HttpRequest, knee: UUID) -> HttpResponse:
    """The question why; after its answer, who the patient is."""
    found = knee_for(request.user, knee, Action.SEE_IDENTITY)
    assert isinstance(request.user, User)  # noqa: S101 - knee_for() let nobody else pass
    view = IdentityView(patient=found.patient, user=request.user)
    form = ReasonForm(request.POST or None, instance=view)
    opened = request.method == "POST" and form.is_valid()
    if opened:
        record(view)
    context = {
        "knee": found,
        "form": form,
        "facts": _facts(found.patient) if opened else None,
        "views": found.patient.identity_views.select_related("user")[:20],
    }
    return render(
        request, "registry/identity.html", context, status=200 if opened or not form.is_bound else 422
    )


def _facts(patient: Patient) -> list[tuple[str, str]]:
    """Label and value of everything known; the log entry stands before this is called."""
    sealed = Identity.objects.filter(patient=patient).first()
    plain = sealed.opened() if sealed else {}
    return [(name.replace("_", " ").capitalize(), value) for name, value in plain.items() if value]
