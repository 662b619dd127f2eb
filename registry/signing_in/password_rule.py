"""The rules of passwords that Django does not bring: a longest length, and nothing made of a common one."""

from collections.abc import Iterator
from functools import cached_property
from itertools import chain

from django.contrib.auth.password_validation import CommonPasswordValidator
from django.core.exceptions import ValidationError

LONGEST = 128
# Signs that make no common password a good one: a year, a date, a few exclamation marks.
ADDED = 6
TOO_COMMON = (
    "This password is too common: much used, a name or a single word, as it is, said again, or with up to "
    f"{ADDED} digits and signs around it. Choose another, such as several words."
)


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


class CommonPassword(CommonPasswordValidator):
    """No common password, name or word, nor what is made of one by little.

    Lists of common passwords hold few of the length that is asked for here, since people were asked for less
    when those leaked. Asked for more, they lengthen the same ones.
    """

    @cached_property
    def common(self) -> frozenset[str]:
        """Django's list, and those of zxcvbn: passwords that leaked, and the commonest words and names."""
        # Large, and needed by whoever sets a password alone.
        from zxcvbn.frequency_lists import FREQUENCY_LISTS

        return frozenset(chain(self.passwords, *FREQUENCY_LISTS.values()))

    def validate(self, password: str, user: object = None) -> None:
        # A longer one is refused by its length, and would take long here.
        made_of = _made_of(password.lower().strip()) if len(password) <= LONGEST else ()
        if any(said in self.common for said in made_of):
            raise ValidationError(TOO_COMMON, code="password_too_common")

    def get_help_text(self) -> str:
        return "It is not one that is much used, nor a name or a single word with digits and signs around it."


def _made_of(password: str) -> Iterator[str]:
    """What a password may have been made of: without signs before and behind, and once where it repeats."""
    signs = "".join({sign for sign in password if not sign.isalpha()})
    before = len(password) - len(password.lstrip(signs))
    behind = len(password) - len(password.rstrip(signs))
    for first in range(min(before, ADDED) + 1):
        for last in range(min(behind, ADDED - first) + 1):
            yield from _said_again(password[first : len(password) - last])


def _said_again(text: str) -> Iterator[str]:
    """The text, and every beginning of it that it says again to its end."""
    yield text
    for size in range(1, len(text) // 2 + 1):
        if text == text[:size] * (len(text) // size):
            yield text[:size]
