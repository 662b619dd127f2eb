"""The page of one knee of Due: opened to look, sent to act."""

from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from registry.access import Action, knee_for
from registry.models import User
from registry.pages.due.acts import act_of
from registry.pages.due.page import KneePage


def due_knee(request: HttpRequest, knee: UUID) -> HttpResponse:
    """The page, or where the act that was sent leads."""
    acts = request.method == "POST"
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP if acts else Action.SEE_RECORD)
    assert isinstance(request.user, User)  # noqa: S101 - knee_for() let nobody else pass
    page = KneePage(request, request.user, found)
    if acts and (answer := act_of(page)(page)):
        return answer
    context = page.context()
    return render(request, "registry/due_knee.html", context, status=422 if context["problems"] else 200)
