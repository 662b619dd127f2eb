"""Confirming who it is: before what matters most, whoever has not done so lately shows it again.

A view that asks for it is decorated with `confirm_first`. Nothing that was typed is lost: what was sent too
late comes back with the question, and goes on its way with the answer.
"""

from collections.abc import Callable
from functools import wraps
from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.contrib.auth.signals import user_logged_in
from django.dispatch import receiver
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.debug import sensitive_post_parameters

from registry.signing_in import second_factor

CONFIRMED_AT = "confirmed at"

View = Callable[..., HttpResponseBase]


def mark(request: HttpRequest) -> None:
    """Note in the session that its person has just shown who they are."""
    request.session[CONFIRMED_AT] = timezone.now().timestamp()


def is_fresh(request: HttpRequest) -> bool:
    """Whether the person showed who they are within settings.CONFIRM_WITHIN, by all that they have by now."""
    at = request.session.get(CONFIRMED_AT)
    if at is None:
        return False
    # A moment still to come means that the clock was set back: nobody knows how long ago it was.
    is_lately = 0 <= timezone.now().timestamp() - at < settings.CONFIRM_WITHIN.total_seconds()
    return is_lately and not _owes_the_factor(request.user)


def _owes_the_factor(person: Any) -> bool:
    """Whether this session knows the password alone of somebody who has a second factor."""
    return not person.is_verified() and second_factor.of(person) is not None


@receiver(user_logged_in, dispatch_uid="signing in confirms")
def signing_in_confirms(request: HttpRequest, **_: Any) -> None:
    mark(request)


def confirm_first(view: View) -> View:
    """A view for who showed lately who they are; others do so first."""

    @sensitive_post_parameters()
    @wraps(view)
    def page(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if not request.user.is_authenticated or is_fresh(request):
            return view(request, *args, **kwargs)
        if request.method != "POST":
            return _to_the_question(request)
        return _question_with_what_was_typed(request) or view(request, *args, **kwargs)

    return page


def _to_the_question(request: HttpRequest) -> HttpResponse:
    address = f"{reverse('confirm')}?{urlencode({'next': request.get_full_path()})}"
    if request.headers.get("HX-Request"):
        return HttpResponse(headers={"HX-Redirect": address})
    return redirect(address)


def _question_with_what_was_typed(request: HttpRequest) -> HttpResponse | None:
    """The question, holding what was sent; None once it is answered, so that what was sent goes on."""
    from registry.signing_in.confirm_form import ConfirmForm

    form = ConfirmForm.answering(request)
    if form.is_bound and form.is_valid():
        form.confirm()
        return None
    typed = [
        (name, value)
        for name, values in request.POST.lists()
        if name not in form.names and name != "csrfmiddlewaretoken"
        for value in values
    ]
    context = {"form": form, "typed": typed, "address": request.get_full_path()}
    return render(request, "registry/confirm.html", context, status=form.status if form.is_bound else 403)
