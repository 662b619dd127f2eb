"""Passwords set by their own person."""

from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.http import HttpRequest
from django.urls import reverse
from django.utils.html import format_html

from registry.api.keys import open_keys
from registry.models import AccountEventKind, User
from registry.retrying import retried
from registry.signing_in.account_log import note
from registry.signing_in.sessions import end_all

KEYS_STAND = (
    "Access keys of yours that still stand: {}. Look through your <a href='{}'>access keys</a>, and take "
    "back any that you do not know."
)


def set_password(person: User, password: str, request: HttpRequest) -> None:
    """A new password, noted; whether it may be one has been asked already."""
    person.set_password(password)
    person.save(update_fields=["password"])
    note(person, AccountEventKind.PASSWORD_SET, request)


def change(request: HttpRequest, person: User, password: str) -> int:
    """A new password from within a session, which goes on; how many others ended.

    Access keys stay, since programs live by them; the next page says how many there are.
    """

    def work() -> int:
        set_password(person, password, request)
        return end_all(person, but=request.session.session_key)

    ended = retried(work)
    update_session_auth_hash(request, person)
    if standing := open_keys(person).count():
        messages.info(request, format_html(KEYS_STAND, standing, reverse("access_keys")))
    return ended
