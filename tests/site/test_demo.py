"""The demo: the main job end to end in one command, safe to run again."""

import io
import re
import zipfile
from html.parser import HTMLParser

import pytest
from django.core.management import CommandError, call_command
from django.test import Client, override_settings
from django.urls import reverse

from registry.models import Patient, Repair

pytestmark = pytest.mark.django_db


def fetched(html):
    """Addresses outside the document that its elements would fetch."""
    found = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag, attributes):
            found.extend(value for name, value in attributes if name in ("src", "href") and value[:1] != "#")

    Reader().feed(html)
    return found


@pytest.fixture
def demo(settings, tmp_path):
    """Run a small demo and give what it printed."""
    settings.LOCAL_DIR, settings.RELEASES_DIR = tmp_path, tmp_path / "releases"

    def run(patients=120, **options):
        out = io.StringIO()
        call_command("demo", patients=patients, no_serve=True, stdout=out, **options)
        return out.getvalue()

    return run


def test_it_prints_survival_what_it_wrote_and_the_sign_ins(demo, tmp_path):
    said = demo(patients=1_200)
    assert "Everything in this scenario is invented" in said
    for stratum in ("vascular zone", "acuity", "concomitant ligament surgery"):
        assert f"repairs still standing, by {stratum}" in said
    assert (
        len(re.findall(r"Log-rank over \d groups: chi-square [\d.]+, \d degrees? of freedom, P", said)) == 3
    )
    for year in ("1 year", "2 years", "5 years"):
        assert year in said
    written = [line.split()[0] for line in said.splitlines() if line.startswith(str(tmp_path))]
    assert [path.rsplit(".", 1)[1] for path in written] == ["html", "zip"]
    with zipfile.ZipFile(written[1]) as archive:
        assert {"repairs.csv", "repairs.parquet", "manifest.json"} <= set(archive.namelist())


@pytest.mark.any_engine
def test_the_printed_sign_ins_open_the_site(demo):
    found = re.findall(r"^  (\S+) +([a-z2-7]{16})  ", demo(), flags=re.MULTILINE)
    assert len(found) == 6
    for username, password in found:
        response = Client().post(reverse("sign_in"), {"username": username, "password": password})
        assert response.status_code == 302, username


@pytest.mark.any_engine
def test_the_printed_patient_link_opens_with_the_year_of_birth(demo):
    (found,) = re.findall(
        r"One invented patient's link, to try \(\w+; year of birth (\d{4})\):\n +http://127.0.0.1:8000(/r/\S+/)$",
        demo(),
        flags=re.MULTILINE,
    )
    year, path = found
    assert Client().post(path, {"year": str(int(year) + 1)}).status_code == 403
    browser = Client()
    assert browser.post(path, {"year": year}).status_code == 303
    assert browser.get(path).status_code == 200


# Policies, put in after each migrate, take no table that the test's own transaction has written to.
@pytest.mark.any_engine
def test_a_second_run_loads_nothing_and_prints_the_same_figures(demo):
    first = demo()
    counted = (Patient.objects.count(), Repair.objects.count())
    second = demo()
    assert (Patient.objects.count(), Repair.objects.count()) == counted
    assert "nothing is loaded again" in second

    def figures(said):
        return [line for line in said.splitlines() if line.startswith(("│", "Log-rank", "  surgeon"))]

    assert figures(first) == figures(second)


@pytest.mark.any_engine
def test_the_briefing_stands_alone_and_names_nobody(demo, tmp_path):
    demo()
    (path,) = (tmp_path / "out").glob("briefing-*.html")
    text = path.read_text()
    assert "Reoperation on the repair" in text
    assert not fetched(text)
    assert "Dr Alder" not in text
    assert "not a medical device" in text.lower()


@pytest.mark.any_engine
def test_too_few_patients_to_hide_among_give_no_release_and_say_so(demo, tmp_path):
    assert "No release: k is 5, but the patients are only 4" in demo(patients=4)
    assert not list(tmp_path.rglob("*.zip"))


def test_a_production_installation_is_left_alone(demo):
    with override_settings(PRODUCTION=True), pytest.raises(CommandError, match="production"):
        demo()


@pytest.mark.parametrize("wrong", [{"patients": 0}, {"seed": -1}])
def test_nonsense_is_refused_in_words(wrong):
    with pytest.raises(CommandError, match="--patients takes 1 or more, --seed 0 or more"):
        call_command("demo", no_serve=True, **wrong)
