"""No cohort or split shows the results of one other surgeon, held against a count row by row."""

from collections.abc import Callable
from dataclasses import replace
from itertools import product

import pytest
from django.contrib.auth.models import AnonymousUser
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from outcomes.cohort import Cohort
from outcomes.failure import REOPERATION
from outcomes.isolation import ONE_INSIDE, ONE_OUTSIDE, joined_splits, refusal, splits_shown
from outcomes.strata import ACUITY, MAIN_STRATA, STRATA, TOGETHER, ZONE, Stratum
from outcomes.survival import count_repairs
from registry.models import Membership, Repair, Unit, User
from registry.recording import record
from tests import factories
from tests.conftest import Cast

ALL = Unit.objects.all()
RED = Cohort(zone="RR")


@pytest.fixture
def three(cast: Cast) -> Cast:
    """Oak (the signed-in surgeon), elm and ash at one unit, elm and ash with a tear in each of two zones."""
    for code in ("elm", "ash"):
        surgeon = factories.a_surgeon(cast.unit, code)
        procedure = factories.an_operation(cast.unit, surgeon)
        for zone in ("RR", "RW"):
            factories.a_repair(procedure, vascular_zone=zone)
    return cast


def of(code: str, **tear: str) -> Repair:
    """One more repair of a surgeon on record."""
    surgeon = factories.Surgeon.objects.get(code=code)
    return factories.a_repair(factories.an_operation(surgeon.units.get(), surgeon), **tear)


def test_a_cohort_of_two_others_is_shown_and_of_one_is_not(three: Cast) -> None:
    assert refusal(three.surgeon, RED, ALL) == ""
    of("ash", vascular_zone="WW")
    of("oak", vascular_zone="WW")
    white = Cohort(zone="WW")
    # Oak's own and one of ash: less oak's own it is ash's.
    assert refusal(three.surgeon, white, ALL) == ONE_INSIDE
    assert refusal(three.clinician, white, ALL) == ""
    of("elm", vascular_zone="WW")
    assert refusal(three.surgeon, white, ALL) == ""


def test_a_cohort_that_leaves_out_one_other_surgeon_is_not_shown(three: Cast) -> None:
    of("ash", vascular_zone="RR", pattern="radial")
    longitudinal = Cohort(pattern="longitudinal")
    assert refusal(three.surgeon, longitudinal, ALL) == ONE_OUTSIDE
    of("elm", vascular_zone="RR", pattern="radial")
    assert refusal(three.surgeon, longitudinal, ALL) == ""


def test_a_period_isolates_as_any_filter_does(three: Cast) -> None:
    ash = factories.Surgeon.objects.get(code="ash")
    later = factories.OPERATED_ON.replace(year=2025)
    factories.a_repair(factories.an_operation(three.unit, ash, operated_on=later))
    assert refusal(three.surgeon, Cohort(since="2025-01-01"), ALL) == ONE_INSIDE
    assert refusal(three.surgeon, Cohort(until="2024-12-31"), ALL) == ONE_OUTSIDE


def test_the_whole_of_a_unit_is_shown_even_if_one_surgeon_works_there(cast: Cast) -> None:
    for whole in (Cohort(), Cohort(which="all"), Cohort(which="revision"), Cohort(unit="northmere")):
        assert refusal(cast.clinician, whole, ALL) == ""
    assert refusal(cast.clinician, RED, ALL) == ONE_INSIDE
    assert splits_shown(cast.clinician, Cohort(), ALL, MAIN_STRATA.values()) == []
    assert refusal(cast.surgeon, RED, ALL) == ""
    assert splits_shown(cast.surgeon, Cohort(), ALL, MAIN_STRATA.values()) == [*MAIN_STRATA.values()]


def test_the_complement_is_that_of_the_unit_asked_for(three: Cast) -> None:
    yew, fir = (factories.a_surgeon(three.other_unit, code) for code in ("yew", "fir"))
    for surgeon in (yew, fir):
        factories.a_repair(factories.an_operation(three.other_unit, surgeon), vascular_zone="RR")
    of("yew", vascular_zone="RW")
    assert refusal(three.clinician, RED, ALL) == ""
    assert refusal(three.clinician, replace(RED, unit="southmere"), ALL) == ONE_OUTSIDE
    assert refusal(three.clinician, replace(RED, unit="northmere"), ALL) == ""


def test_an_audit_lead_sees_one_surgeon_once_the_unit_agreed_and_there_only(three: Cast) -> None:
    of("ash", vascular_zone="WW")
    white = Cohort(zone="WW")
    assert refusal(three.audit_lead, white, ALL) == ONE_INSIDE
    factories.corrected(three.unit, lead_sees_surgeon_results=True)
    assert refusal(three.audit_lead, white, ALL) == ""
    assert refusal(three.clinician, white, ALL) == ONE_INSIDE
    yew = factories.a_surgeon(three.other_unit, "yew")
    factories.a_repair(factories.an_operation(three.other_unit, yew), vascular_zone="WW")
    record(Membership(user=three.audit_lead, unit=three.other_unit, role="audit_lead"))
    assert refusal(three.audit_lead, white, ALL) == ONE_INSIDE
    # By unit: that northmere agreed says nothing of who works at southmere.
    factories.corrected(three.other_unit, lead_sees_surgeon_results=True)
    assert refusal(three.audit_lead, white, ALL) == ""


def test_of_a_split_all_levels_or_none_are_shown(three: Cast) -> None:
    assert splits_shown(three.surgeon, Cohort(), ALL, [ACUITY, ZONE]) == [ACUITY, ZONE]
    of("ash", vascular_zone="WW")
    assert splits_shown(three.surgeon, Cohort(), ALL, [ACUITY, ZONE]) == [ACUITY]
    assert splits_shown(three.surgeon, RED, ALL, [ZONE]) == [ZONE]
    assert splits_shown(three.surgeon, Cohort(), ALL, []) == []


def test_levels_of_one_surgeon_are_taken_together(three: Cast) -> None:
    of("ash", vascular_zone="WW")
    of("elm", vascular_zone="")
    (joined,) = joined_splits(three.surgeon, Cohort(), ALL, [ZONE])
    assert list(joined.levels) == ["RR", "RW", TOGETHER]
    assert joined.note.endswith("each alone would be one surgeon's: White-white, Not recorded.")
    counted = count_repairs(Repair.objects.all(), REOPERATION, [joined], factories.OPERATED_ON)
    assert counted.table.groupby("zone")["n"].sum().to_dict() == {"RR": 3, "RW": 2, TOGETHER: 2}


def test_a_level_of_one_surgeon_takes_the_least_of_the_others_along(three: Cast) -> None:
    of("ash", vascular_zone="WW")
    (joined,) = joined_splits(three.surgeon, Cohort(), ALL, [ZONE])
    assert list(joined.levels) == ["RW", "unknown", TOGETHER]
    assert joined_splits(three.surgeon, Cohort(), ALL, [ACUITY]) == [ACUITY]


def test_a_split_is_dropped_where_no_two_levels_are_left(cast: Cast) -> None:
    assert joined_splits(cast.clinician, Cohort(), ALL, MAIN_STRATA.values()) == []


def test_who_is_signed_out_is_shown_nothing_of_one_surgeon(cast: Cast) -> None:
    assert refusal(AnonymousUser(), RED, ALL) == ONE_INSIDE
    assert splits_shown(AnonymousUser(), Cohort(), ALL, [ZONE]) == []


def test_one_query_of_repairs_each_however_many_strata(three: Cast) -> None:
    assert _queries_of_repairs(lambda: refusal(three.surgeon, RED, ALL)) == 1
    assert _queries_of_repairs(lambda: splits_shown(three.surgeon, Cohort(), ALL, STRATA.values())) == 1
    assert _queries_of_repairs(lambda: refusal(three.surgeon, Cohort(unit="northmere"), ALL)) == 0


def test_what_was_kept_is_not_shown_once_a_role_is_gone(transactional_db: None, three: Cast) -> None:
    of("ash", vascular_zone="WW")
    factories.corrected(three.unit, lead_sees_surgeon_results=True)
    white = Cohort(zone="WW")
    assert refusal(three.audit_lead, white, ALL) == ""
    assert _queries_of_repairs(lambda: refusal(three.audit_lead, white, ALL)) == 0
    three.audit_lead.memberships.all().delete()
    assert refusal(three.audit_lead, white, ALL) == ONE_INSIDE


def _queries_of_repairs(ask: Callable[[], object]) -> int:
    with CaptureQueriesContext(connection) as asked:
        ask()
    return sum(Repair._meta.db_table in query["sql"] for query in asked)


# --- any record: what is shown, counted row by row --------------------------------------------

SURGEONS, ZONES, PATTERNS = ("oak", "elm", "ash"), ("RR", "RW", ""), ("radial", "longitudinal")
REPAIRS = st.lists(
    st.tuples(st.sampled_from(SURGEONS), st.sampled_from(ZONES), st.sampled_from(PATTERNS)), max_size=9
)
Row = tuple[str, str, str]


class NoSurgeonIsIsolated(TestCase):
    """One transaction an example, rolled back after it."""

    @settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
    @example([("oak", "RR", "radial"), ("elm", "RR", "radial"), ("ash", "RW", "radial")])
    @given(REPAIRS)
    def test_every_figure_shown_mixes_at_least_two_others(self, rows: list[Row]) -> None:
        reader = _put_on_record(rows)
        for zone, pattern in product(("", "RR", "unknown"), ("", "radial")):
            cohort = Cohort(zone=zone, pattern=pattern)
            inside = [row for row in rows if _fits(row, zone, pattern)]
            outside = [row for row in rows if row not in inside]
            narrowed = bool(zone or pattern)
            may = not narrowed or (_mixed(inside) and _mixed(outside))
            assert (refusal(reader, cohort, ALL) == "") == may
            levels = [[row for row in inside if (row[1] or "unknown") == level] for level in ZONE.levels]
            assert splits_shown(reader, cohort, ALL, [ZONE]) == [ZONE] * all(map(_mixed, levels))
            _mixes_every_level(joined_splits(reader, cohort, ALL, [ZONE]), inside)


def _mixes_every_level(joined: list[Stratum], inside: list[Row]) -> None:
    """Every level shown, taken together or not, mixes the others' repairs."""
    for stratum in joined:
        apart = {code: [row for row in inside if (row[1] or "unknown") == code] for code in stratum.levels}
        together = [row for row in inside if (row[1] or "unknown") not in stratum.levels]
        assert all(map(_mixed, [*apart.values(), together]))


def _put_on_record(rows: list[Row]) -> User:
    """The rows at one unit; oak is the reader."""
    unit = factories.a_unit("northmere")
    reader = factories.a_person("oak", ("surgeon", unit))
    surgeons = {code: factories.a_surgeon(unit, code, reader if code == "oak" else None) for code in SURGEONS}
    for code, zone, pattern in rows:
        procedure = factories.an_operation(unit, surgeons[code])
        factories.a_repair(procedure, vascular_zone=zone, pattern=pattern)
    return reader


def _fits(row: Row, zone: str, pattern: str) -> bool:
    return zone in ("", row[1] or "unknown") and pattern in ("", row[2])


def _mixed(rows: list[Row]) -> bool:
    return len({surgeon for surgeon, *_ in rows if surgeon != "oak"}) != 1
