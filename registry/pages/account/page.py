"""The account's own page, and the acts on its sessions and password."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.contrib.auth import logout
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.template.defaultfilters import pluralize
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from registry.models import AccountEventKind, User
from registry.pages.account.forms import ChangePasswordForm
from registry.pages.forms.base import problems_of
from registry.pages.unit import person_of
from registry.signing_in import passwords, recovery, second_factor
from registry.signing_in.account_log import note
from registry.signing_in.confirming import confirm_first
from registry.signing_in.sessions import end_all, open_sessions

# The latest entries of the log that the page shows.
EVENTS_SHOWN = 50


def account(request: HttpRequest) -> HttpResponse:
    """Where this person is signed in, and what happened to their account."""
    person = person_of(request)
    events = person.account_events.select_related("by")
    context = {
        "sessions": _sessions(request, person),
        "events": events[:EVENTS_SHOWN],
        "how_many": events.count(),
        "shown": EVENTS_SHOWN,
        "roles": person.memberships.select_related("unit").order_by("unit__name", "role"),
        "factor": second_factor.of(person),
        "codes_left": recovery.left(person),
    }
    return render(request, "registry/account/account.html", context)


@require_POST
def end_session(request: HttpRequest, session: UUID) -> HttpResponse:
    """One of the person's own, at once; this very one as signing out does."""
    person = person_of(request)
    found = open_sessions(person).filter(uuid=session).first()
    if found is None:
        raise Http404
    if found.session_key == request.session.session_key:
        logout(request)
        return redirect("sign_in")
    found.delete()
    note(person, AccountEventKind.SESSION_ENDED, request)
    messages.success(request, "The session is ended.")
    return redirect("account")


@require_POST
def end_other_sessions(request: HttpRequest) -> HttpResponse:
    """All of the person's but this one."""
    person = person_of(request)
    ended = end_all(person, but=request.session.session_key)
    if ended:
        note(person, AccountEventKind.SESSION_ENDED, request, about=_sessions_in_words(ended))
    messages.success(request, f"{_sessions_in_words(ended)} ended. You are signed in nowhere but here.")
    return redirect("account")


@sensitive_post_parameters()
@confirm_first
def change_password(request: HttpRequest) -> HttpResponse:
    """Asks for the present one; every other session ends."""
    person = person_of(request)
    form = ChangePasswordForm(request, person, request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        ended = passwords.change(request, person, form.cleaned_data["new_password"])
        messages.success(request, f"Your password is changed. {_sessions_in_words(ended)} elsewhere ended.")
        return redirect("account")
    problems = problems_of([form]) if form.is_bound else []
    context = {"form": form, "problems": problems}
    return render(request, "registry/account/password.html", context, status=422 if problems else 200)


def _sessions(request: HttpRequest, person: User) -> list[dict[str, Any]]:
    """This one first, then the one last seen."""
    key = request.session.session_key
    rows = [{"session": each, "is_this": each.session_key == key} for each in open_sessions(person)]
    return sorted(rows, key=lambda row: not row["is_this"])


def _sessions_in_words(count: int) -> str:
    return f"{count or 'No'} other session{pluralize(count)}"
