"""Sessions planted, names told by time, closed accounts. Codes and invitations used twice: see asvs.csv."""

import statistics
import time
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from registry.models import BrowserSession
from tests.conftest import Cast
from tests.factories import PASSWORD

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]

TRIES = 5
# Of two medians of so few tries on a shared machine; without equal work they would be ten times apart.
NOISE = 1.6


def test_a_session_planted_before_sign_in_is_not_the_one_after_it(cast: Cast) -> None:
    planted = Client()
    planted.session.save()  # begun by the attacker, who knows its key
    key = planted.session.session_key
    victim = Client()
    victim.cookies["sessionid"] = key
    _signs_in(victim, cast)
    assert victim.session.session_key != key
    attacker = Client()
    attacker.cookies["sessionid"] = key
    assert attacker.get("/").status_code == 302
    assert not BrowserSession.objects.filter(session_key=key).exists()


@pytest.mark.parametrize("key", ["0" * 32, "a" * 200, "../../x", "' OR 1=1 --", "%00"])
def test_a_session_that_the_site_did_not_begin_is_none(cast: Cast, key: str) -> None:
    client = Client()
    client.cookies["sessionid"] = key
    assert client.get("/").status_code == 302
    _signs_in(client, cast)
    assert client.session.session_key != key


def test_the_key_of_a_session_that_was_signed_out_opens_nothing(cast: Cast) -> None:
    client = Client()
    _signs_in(client, cast)
    key = client.cookies["sessionid"].value
    client.post(reverse("sign_out"))
    again = Client()
    again.cookies["sessionid"] = key
    assert again.get("/").status_code == 302


def test_the_token_of_forms_changes_at_sign_in(cast: Cast) -> None:
    client = Client()
    client.get(reverse("sign_in"))
    before = client.cookies["csrftoken"].value
    _signs_in(client, cast)
    assert client.cookies["csrftoken"].value != before


def test_no_way_of_failing_is_told_apart(cast: Cast) -> None:
    """By status and words; by time, below."""
    cast.clinician.is_active = False
    cast.clinician.save()
    said = set()
    for name, password in _ways(cast).values():
        answer = Client().post(reverse("sign_in"), {"username": name, "password": password})
        words = answer.content.decode().replace(name, "NAME")
        token = words.partition('name="csrfmiddlewaretoken" value="')[2].partition('"')[0]
        said.add((answer.status_code, words.replace(token, "TOKEN")))
    assert len(said) == 1


def test_no_way_of_failing_takes_another_time(cast: Cast, settings: Any, record_property: Any) -> None:
    """Interleaved, so that what else the machine does falls on all alike; the count of tries is set aside."""
    settings.AXES_ENABLED = False
    cast.clinician.is_active = False
    cast.clinician.save()
    ways = _ways(cast)
    took: dict[str, list[float]] = {way: [] for way in ways}
    for _ in range(TRIES):
        for way, (name, password) in ways.items():
            began = time.process_time()
            Client().post(reverse("sign_in"), {"username": name, "password": password})
            took[way].append(time.process_time() - began)
    medians = {way: statistics.median(times) for way, times in took.items()}
    told = ", ".join(f"{way} {1000 * median:.0f} ms" for way, median in medians.items())
    record_property("said at the end", f"Sign-in refused: {told}")
    assert max(medians.values()) < NOISE * min(medians.values()), told


def _ways(cast: Cast) -> dict[str, tuple[str, str]]:
    wrong = "not-the-password-47"
    return {
        "unknown name": ("nobody-at-all", wrong),
        "wrong password": (cast.surgeon.username, wrong),
        "closed, right password": (cast.clinician.username, PASSWORD),
        "closed, wrong password": (cast.clinician.username, wrong),
    }


def _signs_in(client: Client, cast: Cast) -> None:
    sent = {"username": cast.surgeon.username, "password": PASSWORD}
    answer = client.post(reverse("sign_in"), sent)
    assert answer.status_code == 302
    assert client.get("/").status_code == 200
