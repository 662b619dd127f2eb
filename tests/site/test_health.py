"""The health address answers anybody, and only looks. Without a database: see test_production_start.py."""

import pytest
from django.test import Client


@pytest.mark.django_db
def test_anybody_is_told_that_the_site_can_serve(client: Client) -> None:
    answer = client.get("/health/")
    assert (answer.status_code, answer.content) == (200, b"ok")
    assert "no-store" in answer["Cache-Control"]


def test_it_takes_no_orders(client: Client) -> None:
    assert client.post("/health/").status_code == 405
