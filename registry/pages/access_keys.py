"""Access keys: what a person's own programs may ask for them. A key is shown once, when it is made."""

from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from registry.api.keys import LONGEST_DAYS, make, scopes_open_to, take_back
from registry.models import AccessKey, User
from registry.pages.forms.base import Spoken, problems_of
from registry.signing_in.confirming import confirm_first
from registry.vocabulary import Scope

USUAL_DAYS = 90


class AccessKeyForm(Spoken, forms.Form):
    """What a key is for, what it may be used for, and for how long."""

    title = "New key"
    WIDE = ("scopes",)
    label = forms.CharField(
        label="What it is for",
        max_length=80,
        help_text="Such as the program that uses it. Name no patient.",
    )
    days = forms.IntegerField(
        label="Holds for (days)", min_value=1, max_value=LONGEST_DAYS, initial=USUAL_DAYS
    )
    scopes = forms.MultipleChoiceField(
        label="May be used to",
        widget=forms.CheckboxSelectMultiple,
        help_text="Within what you may do yourself, and no more of it than the program needs.",
    )

    def __init__(self, person: User, posted: Any = None) -> None:
        super().__init__(posted, use_required_attribute=False)
        self.fields["scopes"].choices = [  # type: ignore[attr-defined]
            (scope.value, scope.label) for scope in scopes_open_to(person)
        ]

    def made(self, person: User, request: HttpRequest) -> str | None:
        """The text of the key; None when it is refused, with the reason on its field."""
        said = self.cleaned_data
        try:
            return make(person, said["label"], said["scopes"], said["days"], request)[1]
        except ValidationError as error:
            self.add_error(None, error)
            return None


@confirm_first
def access_keys(request: HttpRequest) -> HttpResponse:
    """The person's own keys and a form for another; a new key is shown in this one answer."""
    person = _person(request)
    form = AccessKeyForm(person, request.POST if request.method == "POST" else None)
    text = form.made(person, request) if form.is_bound and form.is_valid() else None
    refused = form.is_bound and text is None
    context = {
        "keys": [_row(key) for key in person.access_keys.all()],
        "form": form if refused or not form.is_bound else AccessKeyForm(person),
        "may_make": bool(scopes_open_to(person)),
        "text": text,
        "problems": problems_of([form]) if refused else [],
    }
    return render(request, "registry/access_keys.html", context, status=422 if refused else 200)


@require_POST
def take_back_access_key(request: HttpRequest, key: UUID) -> HttpResponse:
    """Back to the list; from now on the key opens nothing."""
    found = _person(request).access_keys.filter(uuid=key).first()
    if found is None:
        raise Http404
    take_back(found, request)
    messages.success(request, f"The key '{found.label}' is taken back. It opens nothing any more.")
    return redirect("access_keys")


def _row(key: AccessKey) -> dict[str, Any]:
    return {
        "key": key,
        "scopes": [Scope(scope).label for scope in key.scopes],
        "is_open": key.is_open(timezone.now()),
    }


def _person(request: HttpRequest) -> User:
    assert isinstance(request.user, User)  # noqa: S101 - nothing is visible without sign-in
    return request.user
