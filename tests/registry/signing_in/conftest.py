"""Passwords digested quickly, for tests in which that is not what matters."""

from typing import Any

import pytest
from django.contrib.auth.hashers import make_password

from registry.models import User
from tests.conftest import Cast
from tests.factories import PASSWORD


@pytest.fixture
def quick_passwords(cast: Cast, settings: Any) -> None:
    """The cast with the same password under a cheap digest."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    User.objects.update(password=make_password(PASSWORD))
    for person in vars(cast).values():
        if isinstance(person, User):
            person.refresh_from_db()
