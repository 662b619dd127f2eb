"""The people of a unit with their roles, and the invitations that stand."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.db.models import Exists, OuterRef, Prefetch, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST

from registry.access import Action, unit_for, units_for
from registry.models import Invitation, Membership, SecondFactor, Unit, User
from registry.pages.forms.base import problems_of
from registry.pages.people.forms import InvitationForm
from registry.pages.unit import person_of
from registry.signing_in import invitations
from registry.signing_in.confirming import confirm_first
from registry.signing_in.managing import Refused
from registry.vocabulary import Role


def people(request: HttpRequest, unit: str) -> HttpResponse:
    """Who belongs to the unit, and who is invited."""
    found = unit_for(request.user, unit, Action.MANAGE_UNIT)
    context = {
        "unit": found,
        "people": people_of(found),
        "invitations": [_row(each) for each in _standing(found).select_related("made_by")],
    }
    return render(request, "registry/people/people.html", context)


@confirm_first
def invite(request: HttpRequest, unit: str) -> HttpResponse:
    """A form; then the link, shown in this one answer."""
    found = unit_for(request.user, unit, Action.MANAGE_UNIT)
    form = InvitationForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        roles = [Role(code) for code in form.cleaned_data["roles"]]
        label = form.cleaned_data["label"]
        try:
            token = invitations.invite(found, roles, label, person_of(request), request)
        except Refused as refusal:
            return refused(request, found, refusal)
        return link_shown(request, found, token, label)
    problems = problems_of([form]) if form.is_bound else []
    context = {"unit": found, "form": form, "problems": problems}
    return render(request, "registry/people/invite.html", context, status=422 if problems else 200)


@require_POST
def take_back_invitation(request: HttpRequest, unit: str, invitation: UUID) -> HttpResponse:
    """Back to the people; from now on its link opens nothing."""
    found = unit_for(request.user, unit, Action.MANAGE_UNIT)
    known = Invitation.objects.filter(unit=found, uuid=invitation)
    if not known.exists():
        raise Http404
    if invitations.take_back(known):
        messages.success(request, "The link is taken back. It opens nothing any more.")
    else:
        messages.info(request, "The link opened nothing any more: it was used, taken back or had ended.")
    return redirect("people", found.code)


def link_shown(
    request: HttpRequest, unit: Unit, token: str, label: str, person: User | None = None
) -> HttpResponse:
    """The one answer in which a link can be read."""
    context = {
        "unit": unit,
        "label": label,
        "person": person,
        "link": request.build_absolute_uri(reverse("invited", args=[token])),
        "hours": int(invitations.VALID_FOR.total_seconds() // 3600),
    }
    return render(request, "registry/people/link.html", context)


def refused(request: HttpRequest, unit: Unit, refusal: Refused) -> HttpResponse:
    """Why an act was not done, said on the page that still is theirs."""
    messages.error(request, str(refusal))
    return back_to_people(request, unit)


def back_to_people(request: HttpRequest, unit: Unit) -> HttpResponse:
    """To the people of the unit while it is still one's own, else to Today."""
    if units_for(request.user, Action.MANAGE_UNIT).filter(pk=unit.pk).exists():
        return redirect("people", unit.code)
    return redirect("today")


def people_of(unit: Unit) -> QuerySet[User]:
    """Everybody with a role in a unit, each with `held`, their roles there, and `has_factor`."""
    here = Membership.objects.filter(unit=unit).order_by("role")
    factors = SecondFactor.objects.filter(user=OuterRef("pk"), confirmed=True)
    members = User.objects.filter(pk__in=here.values("user")).annotate(has_factor=Exists(factors))
    return members.prefetch_related(Prefetch("memberships", here, "held")).order_by("username")


def _standing(unit: Unit) -> QuerySet[Invitation]:
    return invitations.standing().filter(unit=unit)


def _row(invitation: Invitation) -> dict[str, Any]:
    roles = ", ".join(str(Role(code).label) for code in invitation.roles)
    return {"invitation": invitation, "for_what": roles or "Way back in"}
