"""Access keys: random, shown once, kept as a digest, for a time, for scopes, of one person."""

from datetime import timedelta
from hashlib import sha256

import pytest
import time_machine
from django.core.cache import cache
from django.core.exceptions import ValidationError
from django.utils import timezone

from registry.api import keys
from registry.models import AccessKey
from registry.vocabulary import Scope
from tests.conftest import Cast
from tests.registry.api.asking import NOBODY, READ, WRITE, Asker, asker

KNEES = "/knees/"


@pytest.fixture(autouse=True)
def counted_anew() -> None:
    cache.clear()


def test_a_key_is_kept_as_its_digest_alone(cast: Cast) -> None:
    key, text = keys.make(cast.surgeon, "Nightly export", [READ], 30)
    assert text.startswith("rim_")
    assert len(text) == len("rim_") + 43  # 256 bits in base64url
    kept = AccessKey.objects.get()
    assert kept.digest == sha256(text.encode()).hexdigest()
    assert text not in str(vars(kept))
    assert kept.expires_at - kept.made_at == timedelta(days=30)
    assert keys.opened_by(text) == key


@pytest.mark.any_engine
@pytest.mark.parametrize("days", [0, 367])
def test_every_key_ends_within_a_year_and_a_day(cast: Cast, days: int) -> None:
    with pytest.raises(ValidationError, match="outside 1 to 366"):
        keys.make(cast.surgeon, "Export", [READ], days)


@pytest.mark.any_engine
def test_a_scope_is_given_only_to_whom_a_role_lets_use_it(cast: Cast) -> None:
    assert keys.scopes_open_to(cast.coordinator) == [
        Scope.READ_FIGURES,
        Scope.NAME_COHORTS,
        Scope.READ_RELEASES,
    ]
    assert WRITE not in keys.scopes_open_to(cast.audit_lead)
    assert keys.scopes_open_to(cast.administrator) == []
    for scopes in ([], [WRITE], ["everything"]):
        with pytest.raises(ValidationError):
            keys.make(cast.audit_lead, "Export", scopes, 30)


def test_a_key_opens_until_it_ends_or_is_taken_back(cast: Cast) -> None:
    key, text = keys.make(cast.surgeon, "Export", [READ], 2)
    program = Asker(text)
    assert program.get(KNEES).status_code == 200
    with time_machine.travel(timezone.now() + timedelta(days=2, seconds=1)):
        assert program.get(KNEES).status_code == 401
    keys.take_back(key)
    assert program.get(KNEES).status_code == 401


def test_the_key_of_who_left_opens_nothing(cast: Cast) -> None:
    program = asker(cast.surgeon)
    cast.surgeon.is_active = False
    cast.surgeon.save()
    assert program.get(KNEES).status_code == 401


@pytest.mark.any_engine
@pytest.mark.parametrize("text", ["", "rim_unknown", "é", "x" * 5000, "a b"])
def test_without_a_key_that_opens_there_is_a_challenge_and_one_answer(cast: Cast, text: str) -> None:
    refused = Asker(text).get(KNEES)
    assert refused.status_code == 401
    assert refused.headers["WWW-Authenticate"] == "Bearer"
    assert refused.headers["Content-Type"] == "application/problem+json"
    assert cast.client("surgeon").get("/api/v1/knees/").status_code == 401  # signed in on the pages: no


def test_the_last_day_of_use_is_kept(cast: Cast) -> None:
    asker(cast.surgeon).get(KNEES)
    assert AccessKey.objects.get().last_used_on == timezone.now().date()


def test_who_asks_too_often_is_told_when_to_ask_again(cast: Cast, settings: object) -> None:
    settings.API_REQUESTS_A_MINUTE = {"key": 2, "address": 1}  # type: ignore[attr-defined]
    program, other = asker(cast.surgeon), asker(cast.surgeon)
    statuses = [program.get(KNEES).status_code for _ in range(3)]
    assert statuses == [200, 200, 429]
    assert other.get(KNEES).status_code == 200
    assert NOBODY.get(KNEES).status_code == 401
    refused = Asker("rim_guessed").get(KNEES)
    assert refused.status_code == 429
    assert 1 <= int(refused.headers["Retry-After"]) <= 61
