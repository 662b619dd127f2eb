"""People with a second factor, and how they sign in."""

from typing import Any

import django_otp
from django.test import Client
from django.utils import timezone

from registry import sealing
from registry.models import SecondFactor, User
from tests.factories import PASSWORD, signed_in
from tests.registry.signing_in.generator import RFC_KEY, code_at


def with_factor(person: User, key: str = RFC_KEY) -> SecondFactor:
    """The person's second factor, no code of which was used yet."""
    return SecondFactor.objects.create(user=person, name="Codes", sealed_key=sealing.seal(key))


def signed_in_with(factor: SecondFactor) -> Client:
    """A browser whose session has shown the factor as well."""
    client = signed_in(factor.user)
    session = client.session
    session[django_otp.DEVICE_ID_SESSION_KEY] = factor.persistent_id
    session.save()
    return client


def code_now(key: str = RFC_KEY, steps: int = 0) -> str:
    return code_at(key, timezone.now().timestamp() + 30 * steps)


def half_way_in(username: str, address: str = "192.0.2.1", then: str = "/") -> Client:
    """A browser that has given the right password of somebody with a second factor."""
    client = Client(REMOTE_ADDR=address)
    answer = client.post(f"/sign-in/?next={then}", {"username": username, "password": PASSWORD})
    assert answer.headers["Location"] == f"/sign-in/code/?next={then.replace('/', '%2F')}"
    return client


def is_in(client: Client) -> bool:
    return client.get("/help/").status_code == 200


def try_password(username: str, password: str, address: str = "192.0.2.1", **headers: Any) -> Any:
    return Client(REMOTE_ADDR=address, headers=headers).post(
        "/sign-in/", {"username": username, "password": password}
    )
