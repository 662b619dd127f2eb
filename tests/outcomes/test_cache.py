"""No sequence of writes shows a stale figure, and nothing is counted twice while nobody writes."""

import itertools
import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import pandas as pd
import pytest
from django.db import connection, transaction
from django.db.models import QuerySet
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from outcomes.cache import data_version, remembered
from outcomes.cohort import Cohort
from outcomes.failure import REOPERATION
from outcomes.strata import ZONE
from outcomes.survival import Counted, count_cohort, count_repairs, results_of, survival_results
from registry.models import Contact, Kept, Knee, Reoperation, Repair, Surgeon, Tear, Unit
from registry.recording import Act, reinstate, withdraw
from tests import factories

CLOSED_ON = date(2026, 11, 1)
# Days after the operation that repairs are entered, and the limits of the unit tried here, which part them.
ENTERED_AFTER_DAYS = (0, 120)
LATE_AFTER_DAYS = (90, 150)
ZONES = ("RR", "RW", "WW", "")
WHOLE = Cohort()


@dataclass
class Site:
    """One unit of a record that others share, and what was put there."""

    unit: Unit
    surgeon: Surgeon
    withdrawn: list[UUID] = field(default_factory=list)

    @property
    def units(self) -> QuerySet[Unit]:
        return Unit.objects.filter(pk=self.unit.pk)

    def repair(self, number: int) -> Repair | None:
        """One that stands, read anew; None while there is none."""
        standing = Repair.objects.filter(tear__procedure__unit=self.unit).order_by("pk")
        return standing[number % len(standing)] if standing else None


_numbers = itertools.count(1)


def a_site() -> Site:
    code = f"unit-{next(_numbers)}"
    unit = factories.a_unit(code)
    return Site(unit, factories.a_surgeon(unit, f"oak-{code}"))


# --- every kind of write -----------------------------------------------------------------------


def put(site: Site, number: int) -> Repair:
    recorded_on = factories.OPERATED_ON + timedelta(days=ENTERED_AFTER_DAYS[number % 2])
    procedure = factories.an_operation(
        site.unit, site.surgeon, recorded_at=datetime.combine(recorded_on, time(17), UTC)
    )
    repair = factories.a_repair(procedure, vascular_zone=ZONES[number % 4])
    factories.a_contact(repair, 300 + number)
    return repair


def put_in_bulk(site: Site, number: int) -> None:
    like = site.repair(number) or put(site, number)
    kept = like.tear.procedure
    patients = type(kept.knee.patient).objects.bulk_create(
        factories.Patient(unit=site.unit, sex="male", born_on=date(1990, 7, 1)) for _ in range(2)
    )
    knees = Knee.objects.bulk_create(Knee(patient=each, side="left") for each in patients)
    procedures = type(kept).objects.bulk_create(
        factories.IndexProcedure(
            knee=knee,
            unit=site.unit,
            lead_surgeon=site.surgeon,
            operated_on=kept.operated_on,
            injured_on=kept.injured_on,
            recorded_at=kept.recorded_at,
        )
        for knee in knees
    )
    tears = Tear.objects.bulk_create(
        Tear(procedure=each, meniscus="medial", pattern="radial", treatment="repaired") for each in procedures
    )
    Repair.objects.bulk_create(
        Repair(tear=tear, all_inside=True, recorded_at=kept.recorded_at) for tear in tears
    )


def fail(site: Site, number: int) -> None:
    if repair := site.repair(number):
        factories.a_failure(repair, 200 + number)


def correct_the_zone(site: Site, number: int) -> None:
    if repair := site.repair(number):
        factories.corrected(
            repair.tear, vascular_zone=ZONES[(ZONES.index(repair.tear.vascular_zone) + 1) % 4]
        )


def correct_in_the_database(site: Site, number: int) -> None:
    if contact := _of(site, Contact, number):
        factories.corrected_in_database(contact, contacted_on=contact.contacted_on + timedelta(days=30))


def die(site: Site, number: int) -> None:
    if repair := site.repair(number):
        factories.corrected(repair.tear.procedure.knee.patient, died_on=date(2026, 6, number + 1))


def take_back(site: Site, number: int) -> None:
    """Withdraw a failure or call or, for want of these, a tear with its repair."""
    repair = site.repair(number)
    found = _of(site, (Reoperation, Contact)[number % 2], number) or (repair and repair.tear)
    if found:
        act = Act(None, "a test")
        withdraw(found, act)
        site.withdrawn.append(act.key)


def bring_back(site: Site, number: int) -> None:
    if site.withdrawn:
        reinstate(site.withdrawn.pop(), Act(None, "a test"))


def change_the_unit(site: Site, number: int) -> None:
    unit = Unit.objects.get(pk=site.unit.pk)
    factories.corrected(unit, late_entry_after_days=LATE_AFTER_DAYS[number % 2], name=f"Hospital {number}")


def roll_back(site: Site, number: int) -> None:
    """What is read before a write is undone sees it, and leaves nothing behind."""
    version = data_version()
    with transaction.atomic():
        put(site, number)
        assert data_version() > version
        assert_fresh(site)
        transaction.set_rollback(True)
    assert data_version() == version


def _of(site: Site, model: type[Kept], number: int) -> Any:
    found = model.objects.filter(knee__patient__unit=site.unit).order_by("pk")
    return found[number % len(found)] if found else None


WRITES: tuple[Callable[[Site, int], object], ...] = (
    put, put_in_bulk, fail, correct_the_zone, correct_in_the_database, die, take_back, bring_back,
    change_the_unit, roll_back,
)  # fmt: skip
STEPS = st.lists(st.tuples(st.sampled_from(WRITES), st.integers(0, 7)), min_size=3, max_size=5)


@settings(
    max_examples=6,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
@example([(write, n) for n, write in enumerate(WRITES)])
@example([(put, 1), (change_the_unit, 1), (change_the_unit, 0), (take_back, 0), (bring_back, 0)])
@given(STEPS)
def test_no_sequence_of_writes_shows_a_stale_figure(
    transactional_db: None, steps: list[tuple[Callable[[Site, int], object], int]]
) -> None:
    """The record and what is remembered of it grow from example to example; each has a unit of its own."""
    site = a_site()
    for write, number in [(put, 0), *steps]:
        write(site, number)
        assert_fresh(site)
        assert_not_counted_again(site)


def assert_fresh(site: Site) -> None:
    """What is remembered is what counting anew gives."""
    fresh = count_repairs(WHOLE.repairs(site.units), REOPERATION, (ZONE,), CLOSED_ON)
    kept = count_cohort(WHOLE, site.units, REOPERATION, (ZONE,), CLOSED_ON)
    assert_frame_equal(_in_order(kept), _in_order(fresh))
    assert _said_of(kept) == _said_of(fresh)
    expected = results_of(fresh, WHOLE.sentence(site.units), REOPERATION, CLOSED_ON, (ZONE,))
    assert survival_results(WHOLE, site.units, REOPERATION, CLOSED_ON, (ZONE,)) == expected


def _said_of(counted: Counted) -> tuple[int, ...]:
    return counted.entered_late, counted.left_out, counted.repeated_patients


def _in_order(counted: Counted) -> pd.DataFrame:
    columns = list(counted.table.columns)
    return counted.table.sort_values(columns, key=lambda column: column.astype(str), ignore_index=True)


def assert_not_counted_again(site: Site) -> None:
    """While nobody writes, only the version and the units are asked for."""
    with CaptureQueriesContext(connection) as asked:
        survival_results(WHOLE, site.units, REOPERATION, CLOSED_ON, (ZONE,))
    assert [query["sql"] for query in asked if "registry_repair" in query["sql"]] == []
    assert len(asked) == 2


# --- the rules of remembering ------------------------------------------------------------------


@pytest.fixture
def counting() -> Iterator[Callable[..., int]]:
    """Ask for something of its own; gives how often it was worked out so far."""
    times = itertools.count(1)

    def asked(*parts: object, what: str = "probe") -> int:
        return remembered(what, parts, lambda: next(times))

    return asked


def test_an_answer_is_kept_by_question_parts_and_version(
    transactional_db: None, counting: Callable[..., int]
) -> None:
    assert [counting("a"), counting("a"), counting("b"), counting("a")] == [1, 1, 2, 1]
    assert counting("a", what="another") == 3
    unit = factories.a_unit("northmere")
    assert [counting("a"), counting("a")] == [4, 4]
    with transaction.atomic():
        factories.corrected(unit, name="Northmere")
        assert [counting("a"), counting("a")] == [5, 6]
        transaction.set_rollback(True)
    assert counting("a") == 4


def test_what_a_caller_does_to_an_answer_is_not_remembered(transactional_db: None) -> None:
    answer = remembered("probe", (), lambda: [1])
    answer.append(2)
    kept = remembered("probe", (), lambda: [0])
    kept.append(3)
    assert remembered("probe", (), lambda: [0]) == [1]


# --- two connections ---------------------------------------------------------------------------


@pytest.fixture
def shared(transactional_db: None, tmp_path: Path) -> Iterator[Site]:
    """A site on a database that other threads reach by connections of their own.

    In memory SQLite locks whole tables between connections; on file, as in use, readers see what was
    committed.
    """
    site = a_site()
    with pytest.MonkeyPatch.context() as patch:
        if connection.vendor == "sqlite":
            on_file = tmp_path / "shared.sqlite3"
            with closing(sqlite3.connect(on_file)) as copy:
                connection.connection.backup(copy)
            patch.setitem(connection.settings_dict, "NAME", str(on_file))
        yield site


@contextmanager
def a_connection() -> Iterator[Callable[..., Any]]:
    """Does what it is given in a thread of its own, which has a connection of its own."""
    with ThreadPoolExecutor(1) as thread:
        try:
            yield lambda do, *parts: thread.submit(do, *parts).result(60)
        finally:
            thread.submit(lambda: connection.close()).result(60)


@pytest.mark.parametrize("undone", [False, True])
def test_a_write_is_seen_by_others_once_committed(shared: Site, undone: bool) -> None:
    with a_connection() as reader, a_connection() as writer, ExitStack() as open_transaction:
        assert reader(figures, shared) == reader(figures, shared) == (0, reader(data_version))
        version = reader(data_version)
        writer(open_transaction.enter_context, transaction.atomic())
        writer(put, shared, 0)
        assert writer(figures, shared)[0] == 1
        assert reader(figures, shared) == (0, version)
        if undone:
            writer(transaction.set_rollback, True)
        writer(open_transaction.close)
        if undone:
            assert reader(figures, shared) == (0, version)
            # Another write then takes the version that the undone one had within its transaction.
            writer(put, shared, 0)
        assert reader(figures, shared)[0] == 1
        assert reader(data_version) > version
        reader(assert_fresh, shared)


def figures(site: Site) -> tuple[int, int]:
    """How many repairs are counted, and the version that says so."""
    counted = count_cohort(WHOLE, site.units, REOPERATION, (ZONE,), CLOSED_ON)
    return int(counted.table["n"].sum()), data_version()
