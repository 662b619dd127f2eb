"""Passwords: by length and against common ones, whatever they consist of; kept by argon2id."""

import re

import pytest
from django.contrib.auth.hashers import make_password
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError

# OWASP Password Storage Cheat Sheet, argon2id: at least 19 MiB, 2 passes, 1 lane (as remembered, 2024).
LEAST = {"m": 19 * 1024, "t": 2, "p": 1}


@pytest.mark.parametrize(
    "password",
    ["aaaaabbbbbcc", "correct horse battery", "\u00e4\u00f6\u00fc \U0001f600 meadow dew", "x7" * 64],
)
def test_length_alone_decides(password: str) -> None:
    validate_password(password)


@pytest.mark.parametrize("password", ["elevenchars", "x7" * 64 + "y", "password1234", "qwertyuiop123"])
def test_too_short_too_long_or_common_is_refused(password: str) -> None:
    with pytest.raises(ValidationError):
        validate_password(password)


def test_digests_are_argon2id_and_no_cheaper_than_owasp_asks() -> None:
    found = re.match(r"argon2\$argon2id\$v=19\$m=(\d+),t=(\d+),p=(\d+)\$", make_password("aaaaabbbbbcc"))
    assert found
    memory, passes, lanes = map(int, found.groups())
    assert memory >= LEAST["m"]
    assert passes >= LEAST["t"]
    assert lanes >= LEAST["p"]
