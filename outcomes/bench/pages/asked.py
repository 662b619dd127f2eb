"""Which pages are timed, as whom, and the plain SQL beside each, with this database's own keys filled in."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from typing import Any

from django.db import connection
from django.db.models import Count, Q, QuerySet
from django.urls import reverse
from django.utils import timezone

from outcomes.bench.pages import plain_sql, plain_today
from outcomes.cohort import Cohort
from outcomes.counts import OUTCOMES
from outcomes.failure import REOPERATION
from outcomes.timeline import FAILED, timeline
from registry.access import Action, units_for
from registry.completeness import COUNTED, lacking
from registry.demo.cast import Cast
from registry.models import IndexProcedure, Knee, PlannedTimePoint, Repair, SuturePass, Unit, User
from registry.pages.today.changed import RECENT_DAYS, recently_recorded
from registry.reports import to_verify, warning_signs
from registry.reviews import actionable
from registry.rules.schedule import DEFAULT_PLAN
from registry.vocabulary import Role

NO_DEMO = "The demo is not in this database. Load it first: manage.py demo --no-serve"
NO_KNEE = "The demo of this database has no reoperation, so no knee worth telling. Load a larger demo."
# After the last review of a plan none opens.
_NEVER = 1_000_000

Answers = Sequence[Sequence[tuple[Any, ...]]]


@dataclass(frozen=True, slots=True)
class Page:
    """One page: who opens it, that plain SQL, and its aims as multiples of it.

    `queries` is None where the page's own count is the bar. `told` and `known` give the same numbers, from
    the answers of the plain SQL and from the project's own queries.
    """

    name: str
    role: Role
    address: Callable[[QuerySet[Unit]], str]
    queries: tuple[str, ...] | None
    told: Callable[[Answers], tuple[int, ...]]
    known: Callable[[User, QuerySet[Unit]], tuple[int, ...]]
    most_times: float | None = None
    most_times_kept: float | None = None


def person_for(role: Role) -> User:
    """Whoever holds this role in most of the demo's units."""
    accounts = [account for account in Cast.read().accounts if account.role == role]
    widest = max(accounts, key=lambda account: len(account.units))
    person = User.objects.filter(username=widest.username).first()
    if person is None:
        raise ValueError(NO_DEMO)
    return person


def units_of(person: User) -> QuerySet[Unit]:
    """The units whose record the page shows to this person."""
    return units_for(person, Action.SEE_RECORD)


# --- the SQL filled in ------------------------------------------------------------------------


def filled(queries: Iterable[str], person: User) -> list[str]:
    """The plain SQL with the keys and days of this database."""
    units, engine, today = units_of(person), connection.vendor, timezone.localdate()
    after = plain_sql.AFTER_START[engine]
    dates = {
        "elapsed": plain_sql.ELAPSED[engine].replace("{today}", today.isoformat()),
        "opens_on": after.replace("{day}", "opens_day"),
        "closes_on": after.replace("{day}", "closes_day"),
        "duration": plain_sql.DURATION[engine],
        "least": plain_sql.LEAST[engine],
        "never": plain_sql.NEVER[engine],
    }
    values = {
        "units": ", ".join(str(unit.pk) for unit in units),
        "plan": ", ".join(_plan(units)),
        "knee": str(_knee(units).pk),
        "surgeon": str(person.surgeon.pk) if hasattr(person, "surgeon") else "0",
        "today": today.isoformat(),
        "since": (timezone.now() - timedelta(days=RECENT_DAYS)).strftime("%Y-%m-%d %H:%M:%S"),
    }
    return [query.format(**dates, **values) for query in queries]


def _plan(units: QuerySet[Unit]) -> Iterable[str]:
    """Each unit's reviews as rows of values, in days after the operation."""
    default = [(each.code, each.due_day, each.window_days) for each in DEFAULT_PLAN]
    for unit in units:
        own = PlannedTimePoint.objects.filter(unit=unit).order_by("due_day")
        plan = list(own.values_list("time_point", "due_day", "window_days")) or default
        opening = [due - window for _, due, window in plan] + [_NEVER]
        for (code, due, window), (opens, following) in zip(plan, pairwise(opening), strict=True):
            yield f"({unit.pk}, '{code}', {opens}, {due}, {due + window}, {following})"


def _knee(units: QuerySet[Unit]) -> Knee:
    """A knee with a story: the first that was operated on again."""
    operated = Knee.objects.filter(procedures__unit__in=units, reoperations__withdrawn_at=None)
    knee = operated.exclude(reoperations=None).order_by("pk").first()
    if knee is None:
        raise ValueError(NO_KNEE)
    return knee


# --- the pages --------------------------------------------------------------------------------


def _at(name: str) -> Callable[[QuerySet[Unit]], str]:
    return lambda _: reverse(name)


def _at_knee(units: QuerySet[Unit]) -> str:
    return reverse("knee_story", args=[_knee(units).uuid])


def _repairs(_: User, units: QuerySet[Unit]) -> tuple[int, ...]:
    return (Repair.objects.filter(tear__procedure__unit__in=units).count(),)


def _repairs_told(answers: Answers) -> tuple[int, ...]:
    return (answers[0][0][0],)


def _waiting(_: User, units: QuerySet[Unit]) -> tuple[int, ...]:
    return (actionable(units).count(),)


def _waiting_told(answers: Answers) -> tuple[int, ...]:
    return (sum(row[2] for row in answers[0] if row[3] is None),)


def _survival(_: User, units: QuerySet[Unit]) -> tuple[int, ...]:
    """Repairs and failures by today."""
    rows = timeline(Cohort().repairs(units), REOPERATION)
    rows = rows.filter(tear__procedure__operated_on__lte=timezone.localdate())
    counted = rows.aggregate(n=Count("pk"), failed=Count("pk", filter=Q(outcome=FAILED)))
    return counted["n"], counted["failed"]


def _survival_told(answers: Answers) -> tuple[int, ...]:
    (counted,) = answers
    *_, outcome, _lost, n, _days = zip(*counted, strict=True)
    return sum(n), sum(own for own, code in zip(n, outcome, strict=True) if code == OUTCOMES.index(FAILED))


def _story(_: User, units: QuerySet[Unit]) -> tuple[int, ...]:
    """Operations, reoperations, repairs and passes of the knee."""
    knee = _knee(units)
    return (
        knee.procedures.count(),
        knee.reoperations.count(),
        Repair.objects.filter(tear__procedure__knee=knee).count(),
        SuturePass.objects.filter(repair__tear__procedure__knee=knee).count(),
    )


def _story_told(answers: Answers) -> tuple[int, ...]:
    operations, reoperations = answers[1], answers[2 + plain_sql.EVENTS.index("reoperation")]
    repairs, passes = answers[-4], answers[-3]
    return tuple(map(len, (operations, reoperations, repairs, passes)))


def _today(_: User, units: QuerySet[Unit]) -> tuple[int, ...]:
    """Warning signs, reports to verify, operations that lack something, and what is new."""
    lacks = IndexProcedure.objects.filter(lacking(COUNTED), unit__in=units)
    told = (warning_signs(units), to_verify(units), lacks)
    return (*(each.count() for each in told), recently_recorded(units).total)


def _today_told(answers: Answers) -> tuple[int, ...]:
    signs, (verify,), *_, (lacks,), _, (new,), _ = answers
    return len(signs), verify[0], lacks[0], new[0]


def _own(person: User, units: QuerySet[Unit]) -> tuple[int, ...]:
    """Repairs, failures, and the person's own failures."""
    rows = timeline(Cohort().repairs(units), REOPERATION)
    failed, own = Q(outcome=FAILED), Q(tear__procedure__lead_surgeon__user=person)
    counted = rows.aggregate(
        n=Count("pk"), failed=Count("pk", filter=failed), own=Count("pk", filter=failed & own)
    )
    return counted["n"], counted["failed"], counted["own"]


def _own_told(answers: Answers) -> tuple[int, ...]:
    (counted,) = answers
    failed = [(own, n) for own, _, outcome, n in counted if outcome == FAILED]
    return sum(row[3] for row in counted), sum(n for _, n in failed), sum(n for own, n in failed if own)


PAGES = {
    "survival": Page("Survival", Role.AUDIT_LEAD, _at("survival"), None, _survival_told, _survival, 2.0, 0.1),
    "repairs": Page(
        "Repairs", Role.AUDIT_LEAD, _at("repairs"), plain_sql.REPAIRS, _repairs_told, _repairs, 3.0
    ),
    "due": Page("Due", Role.AUDIT_LEAD, _at("due"), plain_sql.DUE, _waiting_told, _waiting, 3.0),
    "story": Page("Knee story", Role.AUDIT_LEAD, _at_knee, plain_sql.STORY, _story_told, _story, 3.0),
    "own": Page("My results", Role.SURGEON, _at("my_results"), plain_sql.OWN, _own_told, _own),
    "today": Page("Today", Role.AUDIT_LEAD, _at("today"), plain_today.TODAY, _today_told, _today),
}
