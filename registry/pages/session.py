"""Signing in and out. What was typed when a session had ended comes back to the same person as a draft."""

from typing import Any

from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpResponse

from registry.pages.drafts import restore_after_sign_in


class _SignIn(LoginView):
    template_name = "registry/sign_in.html"
    redirect_authenticated_user = True

    def form_valid(self, form: Any) -> HttpResponse:
        answer = super().form_valid(form)
        restore_after_sign_in(self.request)
        return answer


sign_in = _SignIn.as_view()
# Answers POST only: a link or an image on another page cannot sign anybody out.
sign_out = LogoutView.as_view()
