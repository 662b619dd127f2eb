"""A briefing shows no surgeon alone: neither by its period nor by a split, whoever makes it."""

from datetime import date

import pytest
from django.urls import reverse

from outcomes.briefing.archive import make_briefing
from outcomes.briefing.asked import AskedWronglyError, Brief
from outcomes.failure import REOPERATION
from outcomes.isolation import RULE
from outcomes.models import Briefing
from outcomes.strata import TOGETHER
from registry.models import Surgeon
from tests import factories
from tests.conftest import Cast

pytestmark = pytest.mark.django_db

CLOSED_ON = date(2026, 6, 30)
IN_2021 = date(2021, 5, 1)


@pytest.fixture
def three(cast: Cast) -> Cast:
    """Oak, elm and ash, each with two repairs in zones red-red and red-white."""
    for code in ("elm", "ash"):
        factories.a_surgeon(cast.unit, code)
    for surgeon in Surgeon.objects.all():
        for zone in ("RR", "RW"):
            of(cast, surgeon.code, vascular_zone=zone)
    return cast


def of(cast: Cast, code: str, operated_on: date = factories.OPERATED_ON, **tear: str):
    surgeon = Surgeon.objects.get(code=code)
    return factories.a_repair(factories.an_operation(cast.unit, surgeon, operated_on=operated_on), **tear)


def brief(cast: Cast, **period: date) -> Brief:
    return Brief(cast.unit, REOPERATION, CLOSED_ON, **period)


def test_a_period_in_which_one_surgeon_operated_is_refused(three: Cast) -> None:
    factories.a_failure(of(three, "elm", IN_2021), days=777)
    asked = {"unit": "northmere", "since": "2021-01-01", "until": "2021-12-31", "failure": "reoperation"}
    answer = three.client("audit_lead").post(reverse("briefings"), asked)
    assert answer.status_code == 422
    assert RULE in answer.content.decode()
    assert not Briefing.objects.exists()
    with pytest.raises(AskedWronglyError, match=r"^since: .* all of one surgeon"):
        make_briefing(brief(three, since=date(2024, 1, 1)), three.audit_lead)
    factories.corrected(three.unit, lead_sees_surgeon_results=True)
    with pytest.raises(AskedWronglyError):
        make_briefing(brief(three, until=date(2021, 12, 31)), three.audit_lead)
    assert make_briefing(brief(three), three.audit_lead).numbers["survival"]["all"]["repairs"] == 8


def test_levels_of_one_surgeon_are_told_together_and_others_as_they_are(three: Cast) -> None:
    of(three, "ash", vascular_zone="WW")
    of(three, "elm", vascular_zone="")
    made = make_briefing(brief(three), three.audit_lead)
    assert list(made.numbers["survival"]["by"]["zone"]["groups"]) == ["RR", "RW", TOGETHER]
    assert b"Taken together, because each alone would be one surgeon" in made.html


def test_a_split_with_no_two_levels_left_is_not_told(three: Cast) -> None:
    ash = Surgeon.objects.get(code="ash")
    factories.a_repair(factories.an_operation(three.unit, ash, injured_on=None))
    made = make_briefing(brief(three), three.audit_lead)
    assert list(made.numbers["survival"]["by"]) == ["zone", "ligament"]
    assert f"Not split by acuity. {RULE}".encode() in made.html


def test_a_unit_of_one_surgeon_is_briefed_whole(cast: Cast) -> None:
    made = make_briefing(brief(cast, since=date(2024, 1, 1), until=date(2024, 12, 31)), cast.audit_lead)
    assert list(made.numbers["survival"]["by"]) == ["zone", "acuity", "ligament"]
