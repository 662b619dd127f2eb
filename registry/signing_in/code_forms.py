"""The second step of signing in: a code of the second factor, or one of the recovery codes."""

from typing import Any, Self

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpRequest

from registry.models import SecondFactor
from registry.pages.forms.base import Spoken
from registry.signing_in import lockout, second_factor
from registry.signing_in.code_field import CodeField

WRONG = "This is not a code of now, or it was used already. Wait for the next one and enter that."
WAIT = (
    "After wrong codes no code is taken for a while. Wait {seconds} seconds, then enter the code shown then."
)
NO_RECOVERY_CODE = "This is none of your recovery codes, or it was used already. Check it, or take another."


class _SecondStep(Spoken, forms.Form):
    """One control, whose name in what is sent says which way was taken."""

    NAME = ""

    def __init__(self, request: HttpRequest, factor: SecondFactor, posted: Any = None) -> None:
        super().__init__(posted, use_required_attribute=False)
        self.request, self.factor, self.is_held_off = request, factor, False

    @classmethod
    def answering(cls, request: HttpRequest, factor: SecondFactor) -> Self:
        """Bound when the request takes this way."""
        return cls(request, factor, request.POST if cls.NAME in request.POST else None)

    def clean(self) -> dict[str, Any]:
        said = self.cleaned_data
        if not self.errors and not self.is_right(said[self.NAME]):
            self.is_held_off = lockout.is_held_off(self.request, self.factor.user)
            raise ValidationError(lockout.held_off_words() if self.is_held_off else self.why_not)
        return said

    def is_right(self, text: str) -> bool:
        raise NotImplementedError

    @property
    def why_not(self) -> str:
        raise NotImplementedError


class CodeForm(_SecondStep):
    """A code of the second factor."""

    NAME = "code"
    code = CodeField()

    def is_right(self, text: str) -> bool:
        self._waited = second_factor.seconds_to_wait(self.factor)
        return lockout.code_is_right(self.request, self.factor, text)

    @property
    def why_not(self) -> str:
        return WAIT.format(seconds=self._waited) if self._waited else WRONG


class RecoveryForm(_SecondStep):
    """One of the codes that were written down."""

    NAME = "recovery_code"
    recovery_code = forms.CharField(
        label="Recovery code",
        max_length=60,
        widget=forms.TextInput(attrs={"autocomplete": "off", "spellcheck": "false"}),
        help_text="One of the ten that you wrote down when you set up the second factor. Each is good once.",
    )

    def is_right(self, text: str) -> bool:
        return lockout.recovery_code_is_right(self.request, self.factor.user, text)

    @property
    def why_not(self) -> str:
        return NO_RECOVERY_CODE
