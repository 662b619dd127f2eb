"""The pages of briefings: who may, the form, the archive, the files, and no Chromium."""

import re
from datetime import date

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from outcomes.briefing import pdf
from outcomes.briefing.archive import make_briefing
from outcomes.briefing.asked import Brief
from outcomes.failure import REOPERATION
from outcomes.models import Briefing, OwnDefinition
from registry.models import Unit, User
from tests import factories
from tests.conftest import Cast

pytestmark = pytest.mark.django_db

OF_ONE = ("briefing", "briefing_file", "briefing_pdf", "briefing_changes")
NOT_ALLOWED = ("surgeon", "clinician", "coordinator", "administrator", "stranger")
ASKED = {"unit": "northmere", "since": "2024-01-01", "until": "2024-12-31", "failure": "reoperation"}


@pytest.fixture
def made(cast: Cast) -> Briefing:
    return make_briefing(Brief(cast.unit, REOPERATION, date(2026, 6, 30)), cast.audit_lead)


def a_lead_elsewhere(unit: Unit) -> tuple[User, Client]:
    person, client = factories.a_person("elsewhere", ("audit_lead", unit)), Client()
    client.force_login(person)
    return person, client


def test_other_roles_are_refused(cast: Cast, made: Briefing) -> None:
    addresses = [reverse("briefings"), *(reverse(name, args=[made.uuid]) for name in OF_ONE)]
    for who in NOT_ALLOWED:
        client = cast.client(who)
        assert [client.get(address).status_code for address in addresses] == [403] * 5, who
        assert client.post(reverse("briefings"), ASKED).status_code == 403, who
    assert Briefing.objects.count() == 1


def test_another_units_briefing_is_as_if_there_were_none(cast: Cast, made: Briefing) -> None:
    _, client = a_lead_elsewhere(cast.other_unit)
    assert [client.get(reverse(name, args=[made.uuid])).status_code for name in OF_ONE] == [404] * 4
    assert made.sha256[:16] not in client.get(reverse("briefings")).content.decode()
    assert client.post(reverse("briefings"), ASKED).status_code == 422


def test_the_lead_builds_one_and_takes_it(cast: Cast) -> None:
    client = cast.client("audit_lead")
    answer = client.post(reverse("briefings"), ASKED, follow=True)
    kept = Briefing.objects.get()
    assert answer.redirect_chain[-1][0] == reverse("briefing", args=[kept.uuid])
    assert kept.sha256 in answer.content.decode()
    assert (kept.since, kept.until, kept.made_by) == (date(2024, 1, 1), date(2024, 12, 31), cast.audit_lead)
    taken = client.get(reverse("briefing_file", args=[kept.uuid]))
    assert taken.content == kept.html
    name = taken["Content-Disposition"]
    assert re.search(r'^attachment; filename="briefing-northmere-[\d-]{10}.html"$', name)
    assert "Not changed" in client.get(reverse("briefings")).content.decode()
    factories.a_failure(cast.repair, days=300)
    assert "Written to: what changed" in client.get(reverse("briefings")).content.decode()
    changes = client.get(reverse("briefing_changes", args=[kept.uuid])).content.decode()
    assert re.search(r"Failures among them</th>\s*<td[^>]*>0</td>\s*<td[^>]*>1</td>", changes)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"until": "2023-01-01"}, "2023-01-01 lies before since, 2024-01-01; correct one of them."),
        ({"until": "2199-01-01"}, "2199-01-01 lies after the closing day"),
        (
            {"since": "", "until": "2001-01-01"},
            "No primary repair of Northmere Hospital operated",
        ),
        ({"failure": "sorrow"}, "sorrow is not one of the available choices"),
        ({"unit": "southmere"}, "not one of the available choices"),
    ],
)
def test_what_cannot_be_asked_is_said_and_nothing_kept(cast: Cast, wrong: dict[str, str], said: str) -> None:
    answer = cast.client("audit_lead").post(reverse("briefings"), ASKED | wrong)
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert not Briefing.objects.exists()


def test_another_units_definition_is_refused(cast: Cast) -> None:
    lead, client = a_lead_elsewhere(cast.other_unit)
    factories.Membership.objects.create(user=lead, unit=cast.unit, role="audit_lead")
    own = OwnDefinition(unit=cast.other_unit, name="Ours", sources=["reoperated"], made_by=lead)
    own.save()
    answer = client.post(reverse("briefings"), ASKED | {"failure": own.code})
    assert answer.status_code == 422
    assert "is another unit&#x27;s definition. Choose one of Northmere Hospital." in answer.content.decode()


def test_a_longer_archive_asks_the_database_no_more(cast: Cast, made: Briefing) -> None:
    client, asked = cast.client("audit_lead"), []
    for _ in range(2):
        with CaptureQueriesContext(connection) as captured:
            assert client.get(reverse("briefings")).status_code == 200
        asked.append(len(captured))
        for _ in range(3):
            Briefing(
                unit=cast.unit, made_by=cast.audit_lead, definition="reoperation", closed_on=made.closed_on,
                numbers=made.numbers, html_gzipped=b"", sha256="0" * 64,
            ).save()  # fmt: skip
    assert asked[0] == asked[1]


def test_without_a_chromium_the_page_says_so(
    cast: Cast, made: Briefing, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(pdf.ENVIRONMENT, "no-such-program")
    answer = cast.client("audit_lead").get(reverse("briefing_pdf", args=[made.uuid]))
    assert answer.status_code == 503
    assert "No Chromium was found on this machine" in answer.content.decode()
    assert reverse("briefing_file", args=[made.uuid]) in answer.content.decode()
