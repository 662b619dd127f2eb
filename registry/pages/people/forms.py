"""Forms of a unit's administrator: whom to invite, and which roles somebody holds."""

from collections.abc import Iterable
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from registry.models import Invitation, User
from registry.pages.account.forms import NewPasswordForm
from registry.pages.forms.base import Spoken
from registry.signing_in.invitations import NewAccount
from registry.vocabulary import Role

ROLES_HELP = (
    "Each opens what that role does in this unit, and nothing else. Surgeons and clinicians see patients' "
    "identities, each view with its reason."
)
NAME_TAKEN = "This user name is taken. Choose another."


class InvitationForm(Spoken, forms.Form):
    """Who is meant, and what they may do."""

    title = "Invitation"
    WIDE = ("roles",)
    label = forms.CharField(
        label="Who is invited",
        max_length=80,
        help_text="So that you know whose link it is. They choose user name and password themselves.",
    )
    roles = forms.MultipleChoiceField(
        label="Roles", choices=Role.choices, widget=forms.CheckboxSelectMultiple, help_text=ROLES_HELP
    )

    def __init__(self, posted: Any = None) -> None:
        super().__init__(posted, use_required_attribute=False)


class RolesForm(Spoken, forms.Form):
    """The roles that a person holds in this unit."""

    title = "Roles"
    WIDE = ("roles",)
    roles = forms.MultipleChoiceField(
        label="Roles in this unit",
        choices=Role.choices,
        widget=forms.CheckboxSelectMultiple,
        required=False,
        help_text=ROLES_HELP,
    )

    def __init__(self, held: Iterable[str], posted: Any = None) -> None:
        super().__init__(posted, initial={"roles": list(held)})


class AccountForm(NewPasswordForm):
    """What somebody invited says of themselves: name, user name and password."""

    title = "Your account"
    field_order = ("first_name", "last_name", "username")
    first_name = forms.CharField(label="First name", max_length=150)
    last_name = forms.CharField(label="Last name", max_length=150)
    username = forms.CharField(
        label="User name",
        max_length=150,
        validators=User._meta.get_field("username").validators,
        widget=forms.TextInput(attrs={"autocomplete": "username", "autocapitalize": "none"}),
        help_text="You sign in with it. It does not change later.",
    )

    def __init__(self, posted: Any = None) -> None:
        super().__init__(posted)
        self.fields["first_name"].widget.attrs["autocomplete"] = "given-name"
        self.fields["last_name"].widget.attrs["autocomplete"] = "family-name"

    def clean_username(self) -> str:
        name: str = User.normalize_username(self.cleaned_data["username"])
        # Names that differ by their capitals alone would be taken for one another.
        if User.objects.filter(username__iexact=name).exists():
            raise ValidationError(NAME_TAKEN)
        return name

    def whose(self) -> User:
        said = self.cleaned_data
        return User(**{name: said.get(name, "") for name in ("username", "first_name", "last_name")})

    @property
    def account(self) -> NewAccount:
        """What was said, once it is valid."""
        said = self.cleaned_data
        return NewAccount(said["username"], said["first_name"], said["last_name"], said["new_password"])


class WayBackForm(NewPasswordForm):
    """A new password for the account that a way back leads into."""

    title = "Your new password"

    def __init__(self, invitation: Invitation, posted: Any = None) -> None:
        assert invitation.person is not None  # noqa: S101 - it is a way back
        self.person = invitation.person
        super().__init__(posted)

    def whose(self) -> User:
        return self.person
