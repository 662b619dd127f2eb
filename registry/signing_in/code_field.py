"""Controls for passwords and codes: what a browser fills in by itself, and where a phone shows its digits."""

from django import forms


class PasswordField(forms.CharField):
    """The password in use; nothing is trimmed off it."""

    def __init__(self) -> None:
        widget = forms.PasswordInput(attrs={"autocomplete": "current-password"})
        super().__init__(label="Password", strip=False, widget=widget)


class CodeField(forms.CharField):
    """Six digits of the second factor; spaces between them are typed by many and mean nothing."""

    def __init__(self) -> None:
        attributes = {"autocomplete": "one-time-code", "inputmode": "numeric", "spellcheck": "false"}
        super().__init__(
            label="Code",
            max_length=20,
            widget=forms.TextInput(attrs=attributes),
            help_text="Six digits, from the app on your phone.",
        )

    def to_python(self, value: object) -> str:
        return "".join((super().to_python(value) or "").split())
