"""Two connections that write at once, made to meet at the worst moment; run in a process of its own.

Each function tells what was acknowledged and what the database held afterwards; main() prints all of it.
"""

import itertools
import json
import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import date
from decimal import Decimal
from typing import Any

import django

django.setup()

from django.core.exceptions import ValidationError  # noqa: E402
from django.db import IntegrityError, connection, transaction  # noqa: E402

from registry.models import Correction, IndexProcedure, Visit  # noqa: E402
from registry.recording import Act, ChangedMeanwhile, correct, hold_entry, record, withdraw  # noqa: E402
from registry.retrying import retried  # noqa: E402
from tests import factories  # noqa: E402
from tests.tables import make_tables  # noqa: E402

PATIENCE = 10
_units = itertools.count(1)
REFUSED = (ValidationError, IntegrityError, ChangedMeanwhile)


def withdrawn_while_a_visit_is_recorded() -> Any:
    """Either order, held open until the other is known to wait: no visit stands without an operation."""
    return [_skewed(_withdraw, _visit), _skewed(_visit, _withdraw)]


def two_patients_in_either_order() -> Any:
    """Two transactions that each hold what the other wants: PostgreSQL ends one, and it is done again."""
    operations = [_an_operation(), _an_operation()]
    tries: list[str] = []
    first = _meeting()

    def raise_both(name: str, keys: list[int]) -> None:
        def work() -> None:
            tries.append(name)
            for key in keys:
                hold_entry(operation := IndexProcedure.objects.get(pk=key))
                operation.refresh_from_db()
                operation.bmi = (operation.bmi or Decimal()) + 1
                correct(operation, act=Act(None, name))
                first()

        retried(work)

    keys = [each.pk for each in operations]
    _at_once(lambda: raise_both("there", keys), lambda: raise_both("back", keys[::-1]))
    return {"tries": len(tries), "bmi": _bmi(keys), "corrections": _corrections(keys)}


def counted_by_what_was_read() -> Any:
    """Serializable transactions that each write what they read of both: one is ended, and done again."""
    pair = [_an_operation().pk, _an_operation().pk]
    tries: list[int] = []
    read = _meeting()

    def add_the_sum(to: int) -> None:
        def work() -> None:
            tries.append(to)
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL SERIALIZABLE")
            total = sum(each.bmi or 0 for each in IndexProcedure.objects.filter(pk__in=pair))
            read()
            operation = IndexProcedure.objects.get(pk=to)
            operation.bmi = total
            correct(operation, act=Act(None, "sum"))

        retried(work)

    _at_once(lambda: add_the_sum(pair[0]), lambda: add_the_sum(pair[1]))
    return {"tries": len(tries), "bmi": _bmi(pair)}


def many_raise_one_number() -> Any:
    """Four people raise the same number as fast as they can: as often as acknowledged, so often raised."""
    key = _an_operation().pk
    acknowledged: list[int] = []

    def raise_it() -> None:
        for _ in range(10):
            operation = IndexProcedure.objects.get(pk=key)
            operation.bmi = (operation.bmi or Decimal()) + Decimal("0.1")
            with suppress(ChangedMeanwhile):
                correct(operation, act=Act(None, "raised"))
                acknowledged.append(1)

    _at_once(*(raise_it for _ in range(4)))
    return {"acknowledged": len(acknowledged), "bmi": _bmi([key]), "corrections": _corrections([key])}


def _skewed(first: Callable[[IndexProcedure], None], second: Callable[[IndexProcedure], None]) -> Any:
    operation = _an_operation()
    written, acknowledged = threading.Event(), []

    def go_first() -> None:
        with transaction.atomic():
            first(operation)
            written.set()
            _until_somebody_waits()
        acknowledged.append(first.__name__)

    def go_second() -> None:
        written.wait(PATIENCE)
        with suppress(*REFUSED):
            second(IndexProcedure.objects.get(pk=operation.pk))
            acknowledged.append(second.__name__)

    _at_once(go_first, go_second)
    visits = Visit.objects.filter(knee=operation.knee).count()
    return {
        "acknowledged": acknowledged,
        "visits": visits,
        "operations": IndexProcedure.objects.filter(pk=operation.pk).count(),
    }


def _withdraw(operation: IndexProcedure) -> None:
    withdraw(operation, Act(None, "entered for another knee"))


def _visit(operation: IndexProcedure) -> None:
    record(Visit(knee=operation.knee, seen_on=date(2024, 9, 1)))


def _an_operation() -> IndexProcedure:
    code = f"unit-{next(_units)}"
    unit = factories.a_unit(code)
    return factories.an_operation(unit, factories.a_surgeon(unit, code), bmi=Decimal("20.0"))


def _bmi(keys: list[int]) -> list[str]:
    return [str(IndexProcedure.objects.get(pk=key).bmi) for key in keys]


def _corrections(keys: list[int]) -> int:
    table = IndexProcedure._meta.db_table
    return Correction.objects.filter(row_table=table, row_id__in=keys).count()


def _meeting() -> Callable[[], None]:
    """Waits, once for each thread, until both have come so far; later calls pass."""
    barrier, been = threading.Barrier(2), set()

    def meet() -> None:
        if threading.get_ident() not in been:
            been.add(threading.get_ident())
            barrier.wait(PATIENCE)

    return meet


def _until_somebody_waits() -> None:
    """Until another connection waits for a lock, or a second has gone by without."""
    asked = "SELECT 1 FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
    for _ in range(100):
        with connection.cursor() as cursor:
            cursor.execute(asked)
            if cursor.fetchone():
                return
        threading.Event().wait(0.01)


def _at_once(*works: Callable[[], None]) -> None:
    problems: list[BaseException] = []

    def run(work: Callable[[], None]) -> None:
        try:
            work()
        except BaseException as problem:
            problems.append(problem)
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=[work]) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if problems:
        raise problems[0]


def main() -> None:
    make_tables()
    told = [withdrawn_while_a_visit_is_recorded, two_patients_in_either_order, counted_by_what_was_read]
    print(json.dumps([each() for each in (*told, many_raise_one_number)]))  # noqa: T201
