"""Signing in and out: the password, then a code of whoever has a second factor; only then is one signed in.

What was typed when a session had ended comes back to the same person as a draft.
"""

from typing import Any
from urllib.parse import urlencode

import django_otp
from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters

from registry.models import SecondFactor, User
from registry.pages.drafts import restore_after_sign_in
from registry.pages.going_on import NEXT, asked_for, where_next
from registry.signing_in import half_way, lockout, recovery, second_factor
from registry.signing_in.code_forms import CodeForm, RecoveryForm

MODEL_BACKEND = "django.contrib.auth.backends.ModelBackend"
TOO_LATE = "The second step was not taken in time. Enter your password again."
CODES_LEFT = (
    "You signed in with a recovery code, which is used up now; {left} left. If your phone is lost, move your "
    "second factor to another one."
)


class SignInForm(AuthenticationForm):
    """Name and password. A try that has to wait is told so, whatever was typed."""

    def get_invalid_login_error(self) -> ValidationError:
        if getattr(self.request, "axes_locked_out", False):
            return ValidationError(lockout.held_off_words())
        return super().get_invalid_login_error()


class _SignIn(LoginView):
    template_name = "registry/sign_in.html"
    authentication_form = SignInForm
    redirect_authenticated_user = True

    def form_valid(self, form: Any) -> HttpResponse:
        if second_factor.of(form.get_user()):
            half_way.begin(self.request, form.get_user())
            return redirect(_with_next(reverse("sign_in_code"), self.get_redirect_url()))
        answer = super().form_valid(form)
        restore_after_sign_in(self.request)
        return answer

    def form_invalid(self, form: Any) -> HttpResponse:
        answer = super().form_invalid(form)
        answer.status_code = 429 if getattr(self.request, "axes_locked_out", False) else 200
        return answer


sign_in = _SignIn.as_view()
# Answers POST only: a link or an image on another page cannot sign anybody out.
sign_out = LogoutView.as_view()


@sensitive_post_parameters()
@login_not_required
def sign_in_code(request: HttpRequest) -> HttpResponse:
    """The second step, for whoever gave the right password within the last minutes."""
    person = half_way.person_in(request)
    factor = second_factor.of(person) if person else None
    if person is None or factor is None:
        messages.error(request, TOO_LATE)
        return redirect(_with_next(reverse("sign_in"), asked_for(request)))
    code, recovery_code = CodeForm.answering(request, factor), RecoveryForm.answering(request, factor)
    for form in (code, recovery_code):
        if form.is_bound and form.is_valid():
            return _signed_in(request, person, factor, by_recovery=form is recovery_code)
    context = {"form": code, "recovery": recovery_code, "next": asked_for(request)}
    status = 429 if code.is_held_off or recovery_code.is_held_off else 200
    return render(request, "registry/sign_in_code.html", context, status=status)


def _signed_in(
    request: HttpRequest, person: User, factor: SecondFactor, *, by_recovery: bool
) -> HttpResponse:
    half_way.end(request)
    login(request, person, backend=MODEL_BACKEND)
    django_otp.login(request, factor)
    restore_after_sign_in(request)
    if by_recovery:
        messages.warning(request, CODES_LEFT.format(left=recovery.left(person)))
    return redirect(where_next(request))


def _with_next(address: str, then: str) -> str:
    return f"{address}?{urlencode({NEXT: then})}" if then else address
