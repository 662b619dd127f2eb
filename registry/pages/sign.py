"""Sign an operation note: from then on every correction of it gives its reason."""

from uuid import UUID

from django.contrib import messages
from django.core.exceptions import PermissionDenied, ValidationError
from django.db.models import Q
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from registry.access import Action, knee_for
from registry.models import IndexProcedure, Surgeon, User
from registry.pages.differences import named
from registry.recording import ChangedMeanwhile, sign

CHANGED_MEANWHILE = "This operation was changed since you opened the story. Read it again, then sign."


@require_POST
def sign_operation(request: HttpRequest, knee: UUID, operation: UUID) -> HttpResponse:
    """Back to the Knee story, signed; only whoever led or repaired may sign."""
    found = knee_for(request.user, knee, Action.RECORD_OPERATION)
    assert isinstance(request.user, User)  # noqa: S101 - knee_for() let nobody else pass
    procedure = IndexProcedure.objects.filter(knee=found, uuid=operation).first()
    if procedure is None:
        raise Http404
    if not may_sign(request.user, procedure):
        raise PermissionDenied
    if procedure.is_signed:
        messages.info(request, f"The {named(procedure)} was signed already.")
    else:
        _sign(request, procedure, request.user)
    return redirect("knee_story", found.uuid)


def may_sign(person: User, procedure: IndexProcedure) -> bool:
    """Whether a person led the operation or repaired in it."""
    led, repaired = Q(pk=procedure.lead_surgeon_id), Q(pk=procedure.repaired_by_id)
    return Surgeon.objects.filter(led | repaired, user=person).exists()


def _sign(request: HttpRequest, procedure: IndexProcedure, by: User) -> None:
    try:
        sign(procedure, by, seen=_seen(request))
    except ChangedMeanwhile:
        messages.error(request, CHANGED_MEANWHILE)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, f"The {named(procedure)} is signed.")


def _seen(request: HttpRequest) -> int:
    """How far the note had been corrected when it was read; who carries no mark has seen no correction."""
    mark = request.POST.get("seen", "")
    return int(mark) if mark.isascii() and mark.isdigit() else 0
