"""One person of a unit: their roles here, a way back in, their account closed and opened."""

from collections.abc import Callable

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_POST

from registry.access import Action, unit_for
from registry.models import Unit, User
from registry.pages.correcting import NOTHING_CHANGED
from registry.pages.forms.base import problems_of
from registry.pages.people.forms import RolesForm
from registry.pages.people.page import back_to_people, link_shown, people_of, refused
from registry.pages.unit import person_of
from registry.signing_in import invitations
from registry.signing_in import people as acts
from registry.signing_in.confirming import confirm_first
from registry.signing_in.managing import Refused, elsewhere, whom_to_ask
from registry.vocabulary import Role


@confirm_first
def person(request: HttpRequest, unit: str, person: int) -> HttpResponse:
    """The roles as a form, and what else may be done."""
    found, known = _of_unit(request, unit, person)
    held = known.memberships.filter(unit=found).values_list("role", flat=True)
    form = RolesForm(held, request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        wanted = {Role(code) for code in form.cleaned_data["roles"]}

        def act() -> str:
            changed = acts.set_roles(found, known, wanted, person_of(request), request)
            return f"The roles of {known} are changed." if changed else NOTHING_CHANGED

        return _done(request, found, act)
    problems = problems_of([form]) if form.is_bound else []
    beyond = elsewhere(person_of(request), known)
    context = {
        "unit": found,
        "person": known,
        "form": form,
        "problems": problems,
        "beyond": beyond,
        "whom_to_ask": whom_to_ask(beyond) if beyond else "",
        "is_self": known == request.user,
    }
    return render(request, "registry/people/person.html", context, status=422 if problems else 200)


@require_POST
@confirm_first
def way_back(request: HttpRequest, unit: str, person: int) -> HttpResponse:
    """A link for who lost password or second factor, shown in this one answer."""
    found, known = _of_unit(request, unit, person)
    try:
        token = invitations.way_back(found, known, person_of(request), request)
    except Refused as refusal:
        return refused(request, found, refusal)
    return link_shown(request, found, token, known.shown_name, known)


@require_POST
@confirm_first
def close_account(request: HttpRequest, unit: str, person: int) -> HttpResponse:
    """Nobody signs in with it any more; where it reaches elsewhere, only its roles here are taken."""
    found, known = _of_unit(request, unit, person)

    def act() -> str:
        if acts.close(found, known, person_of(request), request):
            return f"The account {known} is closed, and its sessions are ended."
        return f"{known} also holds roles elsewhere: the roles here are taken, the account stays open."

    return _done(request, found, act)


@require_POST
@confirm_first
def open_account(request: HttpRequest, unit: str, person: int) -> HttpResponse:
    """The account as it was before it was closed."""
    found, known = _of_unit(request, unit, person)

    def act() -> str:
        acts.reopen(found, known, person_of(request), request)
        return f"The account {known} is open again."

    return _done(request, found, act)


def _of_unit(request: HttpRequest, code: str, key: int) -> tuple[Unit, User]:
    unit = unit_for(request.user, code, Action.MANAGE_UNIT)
    known = people_of(unit).filter(pk=key).first()
    if known is None:
        raise Http404
    return unit, known


def _done(request: HttpRequest, unit: Unit, act: Callable[[], str]) -> HttpResponse:
    """Do it, say what was done or why not, and go back to the people while they are still one's own."""
    try:
        messages.success(request, act())
    except Refused as refusal:
        return refused(request, unit, refusal)
    return back_to_people(request, unit)
