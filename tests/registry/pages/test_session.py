"""Signing in and out."""

import pytest
from django.test import Client

from tests.conftest import Cast
from tests.factories import PASSWORD
from tests.registry.pages.entries import text


def test_signing_in_leads_to_today_or_to_where_one_was_going(cast: Cast) -> None:
    story = f"/knees/{cast.knee.uuid}/"
    client = Client()
    sent_away = client.get(story)
    assert sent_away.headers["Location"] == f"/sign-in/?next={story}"
    signed_in = client.post(sent_away.headers["Location"], {"username": "oak", "password": PASSWORD})
    assert signed_in.headers["Location"] == story
    plain = Client().post("/sign-in/", {"username": "oak", "password": PASSWORD})
    assert plain.headers["Location"] == "/"


def test_a_wrong_password_is_refused_in_words(cast: Cast) -> None:
    client = Client()
    response = client.post("/sign-in/", {"username": "oak", "password": "not-it"})
    assert "Please enter a correct username and password" in text(response)
    assert client.get("/").status_code == 302


def test_an_address_elsewhere_is_not_followed(cast: Cast) -> None:
    response = Client().post(
        "/sign-in/?next=https://elsewhere.example.org/", {"username": "oak", "password": PASSWORD}
    )
    assert response.headers["Location"] == "/"


def test_signing_out_takes_a_post(cast: Cast) -> None:
    client = cast.client("surgeon")
    assert client.get("/sign-out/").status_code == 405
    assert client.get("/").status_code == 200
    assert client.post("/sign-out/").headers["Location"] == "/sign-in/"
    assert client.get("/").status_code == 302


def test_a_form_from_elsewhere_cannot_sign_anybody_out(cast: Cast) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.surgeon)
    assert client.post("/sign-out/").status_code == 403


@pytest.mark.django_db
def test_the_sign_in_page_says_what_it_is_not() -> None:
    assert "Not a medical device." in text(Client().get("/sign-in/"))
