"""The page around the questions: language, headers, cookies, and nothing of the site behind it."""

import re
from collections.abc import Callable

import pytest
from django.test import Client, override_settings

from registry.models import PatientLink
from tests.conftest import Cast
from tests.registry.patient_link.conftest import YEAR, Reader

pytestmark = pytest.mark.any_engine

Make = Callable[..., PatientLink]
ASKED = {"en": "Year of birth", "es": "Año de nacimiento"}


@pytest.mark.parametrize(("browser", "language"), [("", "en"), ("de", "en"), ("es-MX,es;q=0.9", "es")])
def test_before_the_year_the_browser_chooses_the_language(a_link: Make, browser: str, language: str) -> None:
    """Not the link: its language would tell that it is one."""
    for link in (a_link(language="en"), a_link(language="es")):
        page = Client().get(Reader(link).path, headers={"Accept-Language": browser}).content.decode()
        assert ASKED[language] in page
        assert re.search(f'<html lang="{language}', page)


def test_afterwards_it_is_the_patients(a_link: Make) -> None:
    reader = Reader(a_link(language="es"))
    page = reader.enter().content.decode()
    assert '<html lang="es">' in page
    assert "¿Le han vuelto a operar la rodilla izquierda desde el 1 de marzo de 2024?" in page


def test_the_other_language_is_a_button_away_and_loses_nothing(reader: Reader) -> None:
    assert ">Español</button>" in reader.look()
    page = reader.send(go="es", again="yes", where="Alder Clinic").content.decode()
    assert '<html lang="es">' in page
    assert 'value="yes" checked' in page
    assert 'value="Alder Clinic"' in page
    assert ">English</button>" in page
    assert '<html lang="en-gb">' in reader.send(go="en").content.decode()


def test_the_language_can_be_chosen_before_the_year(a_link: Make) -> None:
    client = Client()
    path = Reader(a_link()).path
    page = client.post(path, {"go": "es", "year": YEAR}, follow=True).content.decode()
    assert ASKED["es"] in page
    assert client.cookies["django_language"]["httponly"]


def test_headers(reader: Reader) -> None:
    for answer in (Client().get(reader.path), reader.client.get(reader.path), reader.send(again="no")):
        assert answer.headers["Cache-Control"] == "no-store"
        assert answer.headers["Referrer-Policy"] == "strict-origin"
        assert answer.headers["X-Robots-Tag"] == "noindex, nofollow"
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]


def test_pages_are_small_and_load_nothing_but_their_looks(a_link: Make) -> None:
    reader = Reader(a_link("koos"))
    pages = [reader.look(), reader.enter().content.decode(), reader.send(again="no").content.decode()]
    pages += [reader.send(none="on").content.decode()]
    for page in pages:
        assert "<script" not in page
        assert not re.search(r"https?://", page)
        assert len(page.encode()) < 20_000


def test_who_works_here_sees_the_patients_page_too_without_the_sites_frame(cast: Cast, a_link: Make) -> None:
    page = cast.client("surgeon").get(Reader(a_link()).path).content.decode()
    assert "Sign out" not in page
    assert "Year of birth" in page


def test_entering_changes_the_session_key(a_link: Make) -> None:
    reader = Reader(a_link())
    session = reader.client.session
    session["before"] = True
    session.save()
    reader.client.cookies["sessionid"] = session.session_key
    reader.enter()
    assert reader.client.cookies["sessionid"].value != session.session_key
    assert reader.client.cookies["sessionid"]["httponly"]


def test_another_method_is_refused(reader: Reader) -> None:
    assert reader.client.put(reader.path).status_code == 405


def test_a_form_from_elsewhere_is_refused(a_link: Make) -> None:
    client = Client(enforce_csrf_checks=True)
    assert client.post(Reader(a_link()).path, {"year": YEAR}).status_code == 403
    assert PatientLink.objects.get().wrong_tries == 0


@override_settings(LANGUAGE_CODE="en-gb")
def test_a_cookie_of_no_language_is_passed_over(a_link: Make) -> None:
    client = Client()
    client.cookies["django_language"] = "<script>"
    assert ASKED["en"] in client.get(Reader(a_link()).path).content.decode()
