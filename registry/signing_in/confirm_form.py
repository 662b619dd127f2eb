"""The question of who it is: the password and, of whoever has a second factor, a code of it."""

from typing import Any, Self

import django_otp
from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest

from registry.models import AccountEventKind, User
from registry.pages.forms.base import Spoken
from registry.signing_in import account_log, confirming, lockout, second_factor
from registry.signing_in.code_field import CodeField, PasswordField

# One sentence, whichever of the two is wrong: who found a browser open learns neither.
WRONG = "The password or the code is not right. A code is good once, and for a minute at most."
WRONG_PASSWORD = "The password is not right."  # noqa: S105 - words for the page


class ConfirmForm(Spoken, forms.Form):
    """Password and code of the person who is signed in. Its names keep clear of those of any page."""

    title = "Confirm that it is you"
    password = PasswordField()
    code = CodeField()

    def __init__(self, request: HttpRequest, posted: Any = None) -> None:
        super().__init__(posted, prefix="confirm", use_required_attribute=False)
        assert isinstance(request.user, User)  # noqa: S101 - asked of nobody else
        self.request, self.person = request, request.user
        self.factor = second_factor.of(self.person)
        self.is_held_off = False
        if self.factor is None:
            del self.fields["code"]

    @classmethod
    def answering(cls, request: HttpRequest) -> Self:
        """Bound when the request answers the question, else the open question."""
        return cls(request, request.POST if "confirm-password" in request.POST else None)

    @property
    def names(self) -> list[str]:
        """What its controls are called in what is sent."""
        return [self.add_prefix(name) for name in self.fields]

    @property
    def status(self) -> int:
        """Of the answer that shows the form again."""
        return 429 if self.is_held_off else 422

    def clean(self) -> dict[str, Any]:
        said = self.cleaned_data
        if not self.errors and not self._proves(said["password"], said.get("code", "")):
            self.is_held_off = lockout.is_held_off(self.request, self.person)
            wrong = WRONG if self.factor else WRONG_PASSWORD
            raise ValidationError(lockout.held_off_words() if self.is_held_off else wrong)
        return said

    def confirm(self) -> None:
        """Note that the person of this session has just shown who they are; the session gets another key."""
        self.request.session.cycle_key()
        confirming.mark(self.request)
        if self.factor:
            django_otp.login(self.request, self.factor)
        account_log.note(self.person, AccountEventKind.CONFIRMED, self.request)

    def _proves(self, password: str, code: str) -> bool:
        """Whether both are right; the code is not used up by a wrong password."""
        if not lockout.password_is_right(self.request, self.person, password):
            return False
        return self.factor is None or lockout.code_is_right(self.request, self.factor, code)
