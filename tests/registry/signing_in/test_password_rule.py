"""Passwords: by length and against common ones, whatever they consist of; kept by argon2id."""

import re
import time
from pathlib import Path

import pytest
from django.contrib.auth.hashers import make_password
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.forms import Form

from registry.pages.account.forms import ChangePasswordForm, NewPasswordForm
from registry.pages.people.forms import AccountForm, WayBackForm
from registry.pages.session import SignInForm
from registry.signing_in.confirm_form import ConfirmForm
from registry.signing_in.password_rule import TOO_COMMON, CommonPassword

TABLE = Path(__file__).parents[2] / "security" / "asvs.csv"
NAMES = ("password", "new_password", "again", "present")
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


@pytest.mark.parametrize(
    "password",
    [
        "1q2w3e4r5t6y",  # leaked, and not on Django's list
        "championship",  # a word
        "Christiansen",  # a name
        "Leavemealone",
        "sunshine2024",
        "!!Sunshine!!99",
        "2024Qwertyuiop",
        "trustno1 2024",  # digits of its own, and others behind them
        "monkeymonkey",
        "dragondragondragon1!",
        "123412341234",
    ],
)
def test_what_is_made_of_a_common_one_is_refused_in_words(password: str) -> None:
    with pytest.raises(ValidationError) as refused:
        validate_password(password)
    assert refused.value.messages == [TOO_COMMON]


@pytest.mark.parametrize(
    "password",
    [
        "sunshine on 7 meadows",
        "championship-larch",
        "kq7sunshinew",  # letters around it are no few signs
        "quartzite7391586",  # seven digits are more than a few
        "larchlarchmere",
    ],
)
def test_what_holds_a_common_one_among_more_is_let_through(password: str) -> None:
    validate_password(password)


def test_no_common_password_gets_through_for_being_lengthened() -> None:
    """Thousands of common ones too short as they are, each in the ways that people lengthen them."""
    rule = CommonPassword()
    short = sorted(each for each in rule.common if 6 <= len(each) < 12 and each.isascii())[::20]
    made = [way for each in short for way in _lengthened(each)]
    assert len(made) > 10_000
    assert [each for each in made if not _is_refused(rule, each)] == []


def _lengthened(password: str) -> tuple[str, ...]:
    added = "2024!!"[: max(12 - len(password), 1)]
    return password + added, password.title() + added, added + password.upper(), password + password


def _is_refused(rule: CommonPassword, password: str) -> bool:
    try:
        rule.validate(password)
    except ValidationError:
        return True
    return False


def test_the_lists_hold_what_the_table_says_of_them() -> None:
    """tests/security/asvs.csv, V6.2.4."""
    said = re.search(r"([\d,]+) passwords, words and names .*?, ([\d,]+) of them with 12", TABLE.read_text())
    assert said
    common = CommonPassword().common
    long_enough = [each for each in common if len(each) >= 12]
    assert [f"{len(common):,}", f"{len(long_enough):,}"] == list(said.groups())


@pytest.mark.parametrize(
    "form", [SignInForm, ConfirmForm, NewPasswordForm, ChangePasswordForm, AccountForm, WayBackForm]
)
def test_every_control_of_a_password_is_masked_and_open_to_managers(form: type[Form]) -> None:
    """And what is typed there is taken as it was typed."""
    controls = [field for name, field in form.base_fields.items() if name in NAMES]
    assert controls
    for field in controls:
        assert field.widget.input_type == "password"
        assert field.widget.attrs["autocomplete"] in ("current-password", "new-password")
        assert not field.strip


def test_a_password_as_large_as_a_form_is_refused_at_once() -> None:
    began = time.process_time()
    with pytest.raises(ValidationError) as refused:
        validate_password("ab" * 1_000_000)
    assert [error.code for error in refused.value.error_list] == ["password_too_long"]
    assert time.process_time() - began < 1


def test_digests_are_argon2id_and_no_cheaper_than_owasp_asks() -> None:
    found = re.match(r"argon2\$argon2id\$v=19\$m=(\d+),t=(\d+),p=(\d+)\$", make_password("aaaaabbbbbcc"))
    assert found
    memory, passes, lanes = map(int, found.groups())
    assert memory >= LEAST["m"]
    assert passes >= LEAST["t"]
    assert lanes >= LEAST["p"]
