"""Signing in and out."""

from django.contrib.auth.views import LoginView, LogoutView

sign_in = LoginView.as_view(template_name="registry/sign_in.html", redirect_authenticated_user=True)
# Answers POST only: a link or an image on another page cannot sign anybody out.
sign_out = LogoutView.as_view()
