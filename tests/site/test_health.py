"""Alive and ready are told to anybody in one word. Without a database: see test_production_start.py."""

import logging
from typing import Any

import pytest
from cryptography.fernet import Fernet
from django.db import connection
from django.test import Client

from registry.models import triggers
from registry.site import health


@pytest.fixture(autouse=True)
def looked_at_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(health, "HOLDS_SECONDS", -1.0)
    # What is found here is not held for whoever asks next.
    monkeypatch.setattr(health, "_state", health._State())


def test_alive_is_told_without_asking_the_database(client: Client) -> None:
    answer = client.get("/health/")
    assert (answer.status_code, answer.content) == (200, b"ok")
    assert "no-store" in answer["Cache-Control"]


@pytest.mark.parametrize("path", ["/health/", "/ready/"])
def test_they_take_no_orders(client: Client, path: str) -> None:
    assert client.post(path).status_code == 405


@pytest.mark.django_db
def test_anybody_is_told_that_the_site_can_serve(client: Client) -> None:
    answer = client.get("/ready/")
    assert (answer.status_code, answer.content) == (200, b"ready")


def unapplied(settings: Any) -> None:
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM django_migrations WHERE app = 'outcomes'")


def without_rules(settings: Any) -> None:
    triggers.remove("default")


def keyless(settings: Any) -> None:
    settings.IDENTITY_KEYS = ["no key"]


def full(settings: Any) -> None:
    health.ROOM_BYTES = 10**18


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("breaks", "check"),
    [(unapplied, "migrations"), (without_rules, "triggers"), (keyless, "keys"), (full, "room")],
)
def test_what_is_missing_is_told_in_the_log_alone(
    client: Client,
    settings: Any,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    breaks: Any,
    check: str,
) -> None:
    monkeypatch.setattr(health, "ROOM_BYTES", 1)
    breaks(settings)
    answer = client.get("/ready/")
    assert (answer.status_code, answer.content) == (503, b"not ready")
    told = [
        record for record in caplog.records if record.levelno == logging.ERROR and "check" in vars(record)
    ]
    assert [vars(record)["check"] for record in told] == [check]


@pytest.mark.django_db
def test_strangers_who_ask_often_make_no_work(
    client: Client, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(health, "HOLDS_SECONDS", 60.0)
    monkeypatch.setattr(health, "_state", health._State())
    assert client.get("/ready/").status_code == 200
    settings.IDENTITY_KEYS = [Fernet.generate_key().decode(), "no key"]
    assert client.get("/ready/").status_code == 200, "as it was found a moment ago"
