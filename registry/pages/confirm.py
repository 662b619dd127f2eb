"""The page between: whoever is signed in shows again who they are, and goes on to where they wanted."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.debug import sensitive_post_parameters

from registry.pages.going_on import asked_for, where_next
from registry.signing_in.confirm_form import ConfirmForm


@sensitive_post_parameters()
def confirm(request: HttpRequest) -> HttpResponse:
    """The question; after its answer, the page asked for."""
    form = ConfirmForm.answering(request)
    if form.is_bound and form.is_valid():
        form.confirm()
        return redirect(where_next(request))
    context = {"form": form, "next": asked_for(request)}
    return render(request, "registry/confirm.html", context, status=form.status if form.is_bound else 200)
