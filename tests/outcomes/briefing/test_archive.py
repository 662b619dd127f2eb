"""Briefings made, kept and counted again: what is frozen, what changes, who may, what names nobody."""

import gzip
import json
import re
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256

import pytest
import time_machine
from django.core.exceptions import PermissionDenied

from outcomes.briefing.archive import changed_since, make_briefing, was_written_since
from outcomes.briefing.asked import AskedWronglyError, Brief, last_whole_year
from outcomes.failure import REOPERATION
from outcomes.models import Briefing
from registry.models import Complication, Surgeon
from registry.recording import record
from tests import factories
from tests.conftest import Cast

pytestmark = pytest.mark.django_db

CLOSED_ON = date(2026, 6, 30)


@pytest.fixture(autouse=True)
def today() -> object:
    with time_machine.travel(datetime(2026, 6, 30, 12, tzinfo=UTC), tick=False) as traveller:
        yield traveller


YEAR = (date(2024, 1, 1), date(2024, 12, 31))


def a_brief(cast: Cast, since: date | None = YEAR[0], until: date | None = YEAR[1]) -> Brief:
    return Brief(cast.unit, REOPERATION, CLOSED_ON, since, until)


def some_repairs(cast: Cast, n: int = 11) -> None:
    """Repairs of the year before `cast.repair`, of whom every third failed after 200 days."""
    for number in range(n):
        operated_on = date(2023, 2, 1) + timedelta(days=20 * number)
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak, operated_on=operated_on))
        if number % 3 == 0:
            factories.a_failure(repair, days=200)
        else:
            factories.a_contact(repair, days=800)


def test_a_briefing_is_kept_whole_with_its_numbers_and_its_hash(cast: Cast) -> None:
    some_repairs(cast)
    kept = Briefing.objects.get(pk=make_briefing(a_brief(cast), cast.audit_lead).pk)
    html = gzip.decompress(bytes(kept.html_gzipped))
    assert sha256(html).hexdigest() == kept.sha256
    (block,) = re.findall(rb' id="briefing-numbers">(.*?)</script>', html, re.DOTALL)
    assert json.loads(block) == kept.numbers
    assert kept.numbers["asked"] | {"record_version": 0} == {
        "unit": "northmere", "since": "2024-01-01", "until": "2024-12-31", "closed_on": "2026-06-30",
        "definition": "reoperation", "record_version": 0,
    }  # fmt: skip
    assert kept.numbers["activity"]["repairs"] == 1
    assert kept.numbers["survival"]["all"]["repairs"] == 12
    assert kept.numbers["survival"]["all"]["failures"] == 4


def test_under_five_there_are_counts_alone(cast: Cast) -> None:
    some_repairs(cast, 2)
    told = make_briefing(a_brief(cast), cast.audit_lead).numbers
    assert told["survival"]["all"]["standing"]["2"] == {"at_risk": 1}
    assert "curve" not in told["survival"]["all"]
    assert told["indications"]["unknown"] == {"count": 1, "of": 1}


def test_it_names_nobody_and_gives_months_not_days(cast: Cast) -> None:
    some_repairs(cast)
    stiff = Complication(
        knee=cast.knee, noticed_on=date(2024, 5, 17), kind="stiffness", severity="III", found_by="symptoms"
    )
    record(stiff)
    briefing = make_briefing(a_brief(cast), cast.audit_lead)
    text = briefing.html.decode()
    figures_and_words = text[text.index("<main") :]
    (case,) = [each for each in briefing.numbers["cases"]["listed"] if each["month"] == "2024-05"]
    assert case["code"] == str(cast.knee.uuid)[:8]
    assert case["reason"] == "Complication, grade III: Stiffness needing manipulation"
    for hidden in (str(cast.knee.uuid), "Dr Oak", "2024-05-17", "17 May 2024", "lead@example.org"):
        assert hidden not in figures_and_words
    assert not Surgeon.objects.filter(code__in=re.findall(r'"label":"(\w+)"', figures_and_words)).exists()


def test_words_of_the_chair_are_printed_as_words(cast: Cast) -> None:
    brief = Brief(cast.unit, REOPERATION, CLOSED_ON, note="<script>alert(1)</script> & more")
    text = make_briefing(brief, cast.audit_lead).html.decode()
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; more" in text


def test_the_record_changed_since(cast: Cast) -> None:
    some_repairs(cast)
    briefing = make_briefing(a_brief(cast), cast.audit_lead)
    assert not was_written_since(briefing)
    factories.a_failure(cast.repair, days=300)
    frozen = Briefing.objects.get(pk=briefing.pk)
    assert was_written_since(frozen)
    found = {each.name: (each.was, each.now) for each in changed_since(frozen)}
    assert found["Failures among them"] == ("4", "5")
    # By hand: 1 - 4/11, the repair of no follow-up left out; then (1 - 4/12) (1 - 1/8).
    assert found["Standing at 1 year"] == ("63.6 %", "58.3 %")
    assert not [name for name in found if "ompleteness" in name or "unnel" in name]
    assert (frozen.numbers, frozen.sha256) == (briefing.numbers, briefing.sha256)


def test_a_write_that_changes_no_number_is_told_as_such(cast: Cast) -> None:
    briefing = make_briefing(a_brief(cast), cast.audit_lead)
    factories.a_knee(cast.other_unit)
    assert was_written_since(briefing)
    assert changed_since(briefing) == []


def test_when_every_repair_is_withdrawn_nothing_is_told_any_more(cast: Cast) -> None:
    briefing = make_briefing(a_brief(cast), cast.audit_lead)
    factories.withdrawn(cast.repair)
    assert {each.now for each in changed_since(briefing)} == {"not told"}


def test_the_next_one_compares_with_the_last_before_its_day(cast: Cast) -> None:
    some_repairs(cast)
    earlier = a_brief(cast, date(2023, 1, 1), date(2023, 12, 31))
    with time_machine.travel(datetime(2026, 6, 29, 12, tzinfo=UTC), tick=False):
        first = make_briefing(earlier, cast.audit_lead)
    make_briefing(a_brief(cast), cast.audit_lead)
    later = make_briefing(a_brief(cast), cast.audit_lead)
    assert "since_last" not in first.numbers
    assert later.numbers["since_last"]["briefing"] == str(first.uuid)
    assert later.numbers["since_last"]["numbers"]["activity.repairs"] == {"was": 11, "now": 1}
    text = later.html.decode()
    assert "was made on 29 June 2026 and covered operations from 1 Jan 2023 to 31 Dec 2023" in text
    assert "of the briefing of 29 June 2026" in text


def test_only_the_units_own_audit_lead_may(cast: Cast) -> None:
    other = Brief(cast.other_unit, REOPERATION, CLOSED_ON)
    for person, brief in ((cast.surgeon, a_brief(cast)), (cast.audit_lead, other)):
        with pytest.raises(PermissionDenied):
            make_briefing(brief, person)
    assert not Briefing.objects.exists()


def test_nothing_to_brief_on_is_refused_in_words(cast: Cast) -> None:
    said = "no primary repair of Northmere Hospital operated up to 2020-01-01"
    with pytest.raises(AskedWronglyError, match=said):
        make_briefing(a_brief(cast, None, date(2020, 1, 1)), cast.audit_lead)
    assert not Briefing.objects.exists()


@pytest.mark.parametrize(
    ("since", "until", "said"),
    [
        (date(2024, 2, 1), date(2024, 1, 1), "until: 2024-01-01 lies before since, 2024-02-01; correct one"),
        (None, date(2026, 7, 1), "until: 2026-07-01 lies after the closing day, 2026-06-30; give that day"),
    ],
)
def test_a_period_out_of_order_is_refused_in_words(
    cast: Cast, since: date | None, until: date | None, said: str
) -> None:
    with pytest.raises(AskedWronglyError, match=said):
        a_brief(cast, since, until)


def test_the_last_whole_year() -> None:
    assert last_whole_year(date(2026, 1, 1)) == (date(2025, 1, 1), date(2025, 12, 31))
