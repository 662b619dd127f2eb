"""What the holder of an invitation sees: an account to be made, or a new password for their own.

Opening the page uses nothing up, so that whatever looks at links beforehand does no harm. Whatever is wrong
with a link, the answer is the same page. The token is in no referrer: see registry/site/headers.py.
"""

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import ValidationError
from django.db import IntegrityError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_http_methods

from registry.models import Invitation, User
from registry.pages.forms.base import problems_of
from registry.pages.people.forms import NAME_TAKEN, AccountForm, WayBackForm
from registry.signing_in import invitations
from registry.signing_in.invitations import NoLongerOpen
from registry.vocabulary import Role

MADE = "Your account is made. Sign in with {username} and your password."
IS_BACK = (
    "Your new password is set, and any access key is taken back. Sign in with it as {username}, then set up "
    "a second factor anew."
)
ROLES_ADDED = "The roles are added to your account."


@sensitive_variables("token")
@sensitive_post_parameters()
@login_not_required
@require_http_methods(["GET", "HEAD", "POST"])
def invited(request: HttpRequest, token: str) -> HttpResponse:
    """The page of whoever holds a link."""
    with invitations.held(token) as invitation:
        try:
            return _opens_nothing(request) if invitation is None else _asked(request, invitation)
        except NoLongerOpen:
            return _opens_nothing(request)


def _asked(request: HttpRequest, invitation: Invitation) -> HttpResponse:
    if invitation.person is not None:
        return _back_in(request, invitation)
    if isinstance(request.user, User):
        return _more_roles(request, invitation, request.user)
    return _new_account(request, invitation)


def _new_account(request: HttpRequest, invitation: Invitation) -> HttpResponse:
    form = AccountForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        try:
            invitations.take_up(invitation, form.account, request)
        except (ValidationError, IntegrityError):
            # Somebody took the name since it was looked for.
            form.add_error("username", NAME_TAKEN)
        else:
            messages.success(request, MADE.format(username=form.account.username))
            return redirect("sign_in")
    return _page(request, invitation, form)


def _back_in(request: HttpRequest, invitation: Invitation) -> HttpResponse:
    form = WayBackForm(invitation, request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        invitations.come_back(invitation, form.cleaned_data["new_password"], request)
        messages.success(request, IS_BACK.format(username=form.person.username))
        return redirect("sign_in")
    return _page(request, invitation, form)


def _more_roles(request: HttpRequest, invitation: Invitation, person: User) -> HttpResponse:
    if request.method == "POST":
        invitations.take_up_as(invitation, person, request)
        messages.success(request, ROLES_ADDED)
        return redirect("account")
    return _page(request, invitation, None)


def _page(
    request: HttpRequest, invitation: Invitation, form: AccountForm | WayBackForm | None
) -> HttpResponse:
    problems = problems_of([form]) if form and form.is_bound else []
    context = {
        "unit": invitation.unit,
        "person": invitation.person,
        "roles": [Role(code).label for code in invitation.roles],
        "ends_at": invitation.expires_at,
        "form": form,
        "problems": problems,
    }
    return render(request, "registry/people/invited.html", context, status=422 if problems else 200)


def _opens_nothing(request: HttpRequest) -> HttpResponse:
    return render(request, "registry/people/opens_nothing.html", status=404)
