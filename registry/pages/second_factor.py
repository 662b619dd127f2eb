"""A person's own second factor: set up, moved to another phone, taken off; and the recovery codes.

While it is being set up the new key waits, sealed, in the session. It is kept only once a code of it was
given.
"""

from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from registry import sealing
from registry.pages.forms.base import Spoken, problems_of
from registry.pages.unit import person_of
from registry.signing_in import recovery, second_factor
from registry.signing_in.code_field import CodeField
from registry.signing_in.confirming import confirm_first
from registry.signing_in.required import must_have

_WAITING_KEY = "key of a second factor being set up"
NOT_THE_CODE = (
    "This is not the code that the key gives now. Check that the phone's clock is right, wait for the next "
    "code and enter that."
)
STAYS = "Your second factor stays: your role needs one. You can move it to another phone."
GONE = "Your second factor and its recovery codes are taken off. From now on your password alone lets you in."


class FirstCodeForm(Spoken, forms.Form):
    """The first code of a new key."""

    title = "First code"
    code = CodeField()


def second_factor_page(request: HttpRequest) -> HttpResponse:
    """Whether there is one, how many recovery codes are left, and what can be done about both."""
    person = person_of(request)
    context = {
        "factor": second_factor.of(person),
        "left": recovery.left(person),
        "made": recovery.HOW_MANY,
        "must_have": must_have(person),
    }
    return render(request, "registry/second_factor.html", context)


@sensitive_post_parameters()
@confirm_first
def set_up_second_factor(request: HttpRequest) -> HttpResponse:
    """The key as a picture and as text; after its first code, the recovery codes, this once."""
    person = person_of(request)
    key = _waiting_key(request)
    form = FirstCodeForm(request.POST if "code" in request.POST else None, use_required_attribute=False)
    if form.is_bound and form.is_valid():
        if second_factor.set_up(request, person, key, form.cleaned_data["code"]):
            del request.session[_WAITING_KEY]
            return _codes_shown(request, "Your second factor is set up.")
        form.add_error("code", ValidationError(NOT_THE_CODE))
    context: dict[str, Any] = {
        "form": form,
        "problems": problems_of([form]) if form.is_bound else [],
        "picture": second_factor.picture_of(second_factor.address_of_key(person, key)),
        "key": " ".join(key[start : start + 4] for start in range(0, len(key), 4)),
        "has_one": second_factor.of(person) is not None,
        "must_have": must_have(person),
    }
    if context["must_have"] and not context["has_one"]:
        # No other page opens before this is done, so none is offered.
        context["navigation"] = []
    return render(
        request, "registry/set_up_second_factor.html", context, status=422 if form.is_bound else 200
    )


@require_POST
@confirm_first
def new_recovery_codes(request: HttpRequest) -> HttpResponse:
    """Ten new codes in place of the old ones, shown this once."""
    if second_factor.of(person_of(request)) is None:
        return redirect("second_factor")
    return _codes_shown(request, "Your new recovery codes are made.")


@require_POST
@confirm_first
def take_off_second_factor(request: HttpRequest) -> HttpResponse:
    """Back to the page; refused to whom the site requires one of."""
    person = person_of(request)
    if must_have(person):
        messages.error(request, STAYS)
    elif second_factor.of(person):
        second_factor.take_off(person, request)
        messages.success(request, GONE)
    return redirect("second_factor")


def _codes_shown(request: HttpRequest, done: str) -> HttpResponse:
    codes = recovery.make_new(person_of(request), request)
    return render(request, "registry/recovery_codes.html", {"codes": codes, "done": done})


def _waiting_key(request: HttpRequest) -> str:
    """The new key of this session, the same each time the page is opened until it is kept."""
    if _WAITING_KEY not in request.session:
        request.session[_WAITING_KEY] = sealing.seal(second_factor.new_key())
    return sealing.unseal(request.session[_WAITING_KEY])
