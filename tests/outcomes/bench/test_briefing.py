"""`manage.py bench briefing`: what it makes and asks, what counts as its bare SQL, what it prints."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from outcomes.bench import bare, briefing
from outcomes.management.commands.bench import BENCHES
from outcomes.models import Briefing
from registry.models import Repair, Unit, User
from tests import factories
from tests.conftest import Cast

FOUND = briefing.Bench(
    *(100_000, 60_000, "postgresql", 2), *(6.0, 2.0, 3.0), *(56, 40), *(2**28, 2**27, 5 * 2**20)
)


def some_repairs(cast: Cast, n: int) -> None:
    """Repairs of two years, every third of which failed."""
    for number in range(n):
        operated_on = date(2024, 1, 9) + timedelta(days=720 * number // n)
        repair = factories.a_repair(factories.an_operation(cast.unit, cast.oak, operated_on=operated_on))
        if number % 3 == 0:
            factories.a_failure(repair, days=200)


def test_it_briefs_the_unit_of_most_repairs_and_asks_as_much_of_few_as_of_many(cast: Cast) -> None:
    some_repairs(cast, 12)
    brief, lead = briefing.asked()
    assert (brief.unit, lead) == (cast.unit, cast.audit_lead)
    of_few = briefing.sent_by(brief, lead)["sent"]
    some_repairs(cast, 24)
    of_many = briefing.sent_by(brief, lead)["sent"]
    assert len(of_few) == len(of_many)
    assert briefing.made(brief, lead)["bytes"] > 2**20
    assert not Briefing.objects.exists()


def test_a_record_without_audit_lead_has_nobody_to_brief(db: None) -> None:
    factories.a_unit("northmere")
    with pytest.raises(ValueError, match="No unit has an audit lead"):
        briefing.asked()


def test_bare_are_the_reading_statements_each_once(cast: Cast) -> None:
    with bare.kept() as sent:
        for _ in range(2):
            list(Repair.objects.all())
        Unit(code="eastmere", name="Eastmere").save()
        list(User.objects.select_for_update())
    queries = bare.reading(sent)
    assert len(sent) >= 4
    assert sum("registry_repair" in sql for sql, _ in queries) == 1
    assert all(sql.startswith("SELECT") and "FOR UPDATE" not in sql for sql, _ in queries)
    assert bare.seconds(queries) > 0


def test_it_tells_the_ratio_and_fails_where_queries_grow() -> None:
    words = BENCHES["briefing"].text(FOUND)
    assert "briefing         6.00 s, peak memory 256 MiB, document 5.0 MiB" in words
    assert "ratio            3.00" in words
    assert BENCHES["briefing"].holds(FOUND)
    assert not BENCHES["briefing"].holds(replace(FOUND, queries=briefing.MOST_QUERIES + 1))
