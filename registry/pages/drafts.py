"""Drafts: a page half filled in is kept, sealed, for who fills it in, and nobody else sees it.

A page that keeps drafts is decorated with `keeps_drafts`, includes registry/draft_notice.html above its form
and registry/draft_bar.html in it, fills its forms from `draft_of` when it is opened, and calls `drop` once
what it asked is on record.
"""

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import wraps
from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.views import redirect_to_login
from django.core import signing
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBadRequest, QueryDict
from django.shortcuts import redirect, render
from django.urls import Resolver404, resolve
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from registry import sealing
from registry.models import Draft, User

# What a page sends about the draft rather than for the record.
PAGE, OWNER, DO = "draft-page", "draft-owner", "do"
KEEP, DISCARD = "keep-draft", "discard-draft"
_NEVER_KEPT = {PAGE, OWNER, DO, "csrfmiddlewaretoken"}
_IN_SESSION = "typed when signed out"
_SALT = "registry.drafts"

View = Callable[..., HttpResponse]


@dataclass(frozen=True, slots=True)
class DraftBar:
    """What draft_bar.html and draft_notice.html need: the page, a signed mark of whose it is, and its draft.

    `about` is the hospital number that the draft names, where it names one.
    """

    page: str
    owner: str
    restored_at: datetime | None
    about: str = ""
    token_cookie: str = settings.CSRF_COOKIE_NAME


def draft_bar(request: HttpRequest, *, restored: bool = False, about: str = "") -> DraftBar:
    """The bar of the page being answered; `restored` when its forms were filled from the draft."""
    assert isinstance(request.user, User)  # noqa: S101 - pages that keep drafts are for who is signed in
    draft = _standing(request.user, request.path) if restored else None
    return DraftBar(request.path, _mark(request.user), draft.saved_at if draft else None, about)


def draft_of(user: User, page: str) -> QueryDict | None:
    """What a person typed into a page and has not sent yet, as the page would send it."""
    draft = _standing(user, page)
    return _opened(draft.sealed) if draft else None


def keep(user: User, page: str, typed: QueryDict) -> Draft:
    """Keep what was typed into a page in place of what was kept before."""
    Draft.objects.filter(saved_at__lt=timezone.now() - Draft.KEPT_FOR).delete()
    draft, _ = Draft.objects.update_or_create(user=user, page=page, defaults={"sealed": _sealed(typed)})
    return draft


def drop(user: User, page: str) -> None:
    Draft.objects.filter(user=user, page=page).delete()


def fill(forms: Iterable[forms.BaseForm], typed: QueryDict) -> None:
    """Show what was typed in forms that are not sent yet, so that nothing is checked before its time."""
    for form in forms:
        for name, field in form.fields.items():
            html_name = form.add_prefix(name)
            if not field.widget.value_omitted_from_data(typed, {}, html_name):
                form.initial[name] = field.widget.value_from_datadict(typed, {}, html_name)


def keeps_drafts(view: View) -> View:
    """A page that is for who is signed in, and loses nothing when the session ended before it was sent."""

    @login_not_required
    @wraps(view)
    def page(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.user.is_authenticated:
            return view(request, *args, **kwargs)
        if request.method == "POST":
            _keep_until_sign_in(request, request.path)
        return redirect_to_login(request.get_full_path())

    page.keeps_drafts = True  # type: ignore[attr-defined]
    return page


@sensitive_post_parameters()
@login_not_required
@require_POST
def draft(request: HttpRequest) -> HttpResponse:
    """Keep or discard a draft. A button leads back to the page; the script is told in words."""
    page = request.POST.get(PAGE, "")
    if not _keeps(page):
        return HttpResponseBadRequest("This page keeps no drafts.")
    by_button = DO in request.POST
    if not isinstance(request.user, User):
        _keep_until_sign_in(request, page)
        return redirect_to_login(page) if by_button else _said(request, page=page, status=401)
    if _owner(request) != request.user.pk:
        return _said(request, page=page, status=409)
    if request.POST.get(DO) == DISCARD:
        drop(request.user, page)
        messages.success(request, "The draft is discarded.")
        return redirect(page)
    kept = keep(request.user, page, request.POST)
    if not by_button:
        return _said(request, kept_at=kept.saved_at)
    messages.success(request, "Kept as a draft. Nothing is recorded yet.")
    return redirect(page)


def restore_after_sign_in(request: HttpRequest) -> None:
    """Make a draft of what this browser sent when its session had ended, if the same person is back."""
    typed = request.session.pop(_IN_SESSION, None)
    if typed and isinstance(request.user, User) and typed["owner"] == request.user.pk:
        keep(request.user, typed["page"], _opened(typed["sealed"]))
        messages.info(
            request, "You had been signed out. What you typed is kept as a draft; nothing is recorded yet."
        )


def _keep_until_sign_in(request: HttpRequest, page: str) -> None:
    # Only what a page rendered for somebody sends: nobody else can fill the session store.
    owner = _owner(request)
    if owner:
        request.session[_IN_SESSION] = {"owner": owner, "page": page, "sealed": _sealed(request.POST)}


def _said(request: HttpRequest, status: int = 200, **context: Any) -> HttpResponse:
    return render(request, "registry/draft_said.html", {"status": status, **context}, status=status)


def _standing(user: User, page: str) -> Draft | None:
    return Draft.objects.filter(user=user, page=page, saved_at__gte=timezone.now() - Draft.KEPT_FOR).first()


def _keeps(page: str) -> bool:
    try:
        return getattr(resolve(page).func, "keeps_drafts", False)
    except (Resolver404, Http404):
        return False


def _sealed(typed: QueryDict) -> str:
    kept = {
        name: values for name, values in typed.lists() if name not in _NEVER_KEPT and "password" not in name
    }
    return sealing.seal(json.dumps(kept))


def _opened(sealed: str) -> QueryDict:
    typed = QueryDict(mutable=True)
    for name, values in json.loads(sealing.unseal(sealed)).items():
        typed.setlist(name, values)
    return typed


def _mark(user: User) -> str:
    return signing.dumps(user.pk, salt=_SALT)


def _owner(request: HttpRequest) -> int | None:
    """The key of who the page was rendered for, from its signed mark."""
    try:
        owner: int = signing.loads(request.POST.get(OWNER, ""), salt=_SALT, max_age=Draft.KEPT_FOR)
    except signing.BadSignature:
        return None
    return owner
