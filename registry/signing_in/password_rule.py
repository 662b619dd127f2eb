"""The rule of passwords that Django does not bring: a longest length."""

from django.core.exceptions import ValidationError

LONGEST = 128


class LongestPassword:
    """No password longer than so many characters: what is hashed must have an end."""

    def __init__(self, max_length: int = LONGEST) -> None:
        self.max_length = max_length

    def validate(self, password: str, user: object = None) -> None:
        if len(password) > self.max_length:
            too_long = f"The password has {len(password)} characters, more than {self.max_length}."
            raise ValidationError(f"{too_long} Choose a shorter one.", code="password_too_long")

    def get_help_text(self) -> str:
        return f"It has {self.max_length} characters at most."
