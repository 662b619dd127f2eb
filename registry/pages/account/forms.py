"""Forms in which people set their own password."""

from typing import Any

from django import forms
from django.contrib.auth.password_validation import password_validators_help_texts, validate_password
from django.core.exceptions import ValidationError
from django.http import HttpRequest

from registry.models import User
from registry.pages.forms.base import Spoken
from registry.signing_in import lockout
from registry.signing_in.code_field import PasswordField

DIFFER = "The two differ. Type the same twice."
NOT_THE_PRESENT = "This is not your present password."


class NewPasswordField(forms.CharField):
    """A password that is to be; nothing is trimmed off it, and a browser may think one up."""

    def __init__(self, label: str, help_text: str = "") -> None:
        widget = forms.PasswordInput(attrs={"autocomplete": "new-password"})
        super().__init__(label=label, strip=False, widget=widget, help_text=help_text)


class NewPasswordForm(Spoken, forms.Form):
    """A new password, typed twice and held to the rule."""

    title = "Password"
    WIDE = ("new_password",)
    new_password = NewPasswordField("New password")
    again = NewPasswordField("New password again")

    def __init__(self, posted: Any = None) -> None:
        super().__init__(posted, use_required_attribute=False)
        self.fields["new_password"].help_text = " ".join(password_validators_help_texts())

    def clean(self) -> dict[str, Any]:
        said = self.cleaned_data
        if "new_password" in said and "again" in said and said["new_password"] != said["again"]:
            self.add_error("again", DIFFER)
        elif "new_password" in said:
            self._hold_to_the_rule(said["new_password"])
        return said

    def whose(self) -> User:
        """Whose password it is to be, as far as it is known: it must not be like their name."""
        return User()

    def _hold_to_the_rule(self, password: str) -> None:
        try:
            validate_password(password, self.whose())
        except ValidationError as error:
            self.add_error("new_password", error)


class ChangePasswordForm(NewPasswordForm):
    """The present password first. A wrong one counts as a try to sign in does."""

    title = "Change the password"
    field_order = ("present", "new_password", "again")
    present = PasswordField()

    def __init__(self, request: HttpRequest, person: User, posted: Any = None) -> None:
        self.request, self.person = request, person
        super().__init__(posted)
        self.fields["present"].label = "Present password"

    def whose(self) -> User:
        return self.person

    def clean(self) -> dict[str, Any]:
        said = super().clean()
        if not self.errors and not lockout.password_is_right(self.request, self.person, said["present"]):
            held_off = lockout.is_held_off(self.request, self.person)
            self.add_error("present", lockout.held_off_words() if held_off else NOT_THE_PRESENT)
        return said
