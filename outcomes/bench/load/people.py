"""Who takes part: sessions of the demo's clinician, each with a knee and free days of its own."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from random import Random

from django.conf import settings
from django.db.models import Max
from django.test import Client
from django.utils import timezone

from outcomes.bench.load.browser import Browser
from outcomes.bench.load.mix import MOST_PERSONS, Person, VisitPlace
from registry.access import Action, knees_for
from registry.demo.cast import Cast
from registry.models import Knee, User
from registry.vocabulary import Role

SEED = 1
# Days on which a visit can be recorded: more than anybody gets through in a bench.
DAYS = 300
NO_DEMO = "The demo is not in this database. Load it first: manage.py demo --no-serve"
NOT_HERE = "This is a production installation, and the bench records visits. Run it on a demo elsewhere."
TOO_FEW_KNEES = "{knees} knees are too few for {clients} clients, who need one each. Load a larger demo."


def clinician(clients: int) -> User:
    """Whose sessions are used; refused where it is not for such a bench to write."""
    if settings.PRODUCTION:
        raise ValueError(NOT_HERE)
    if not 1 <= clients <= MOST_PERSONS:
        raise ValueError(f"--clients {clients} is not possible: give 1 to {MOST_PERSONS}.")
    names = [account.username for account in Cast.read().accounts if account.role == Role.CLINICIAN]
    person = User.objects.filter(username__in=names).order_by("username").first()
    if person is None:
        raise ValueError(NO_DEMO)
    return person


def people(port: int, who: User, clients: int, shared: list[VisitPlace]) -> list[Person]:
    """So many, signed in; all of them correct the shared visits."""
    knees = _knees(who)[:clients]
    if len(knees) < clients:
        raise ValueError(TOO_FEW_KNEES.format(knees=len(knees), clients=clients))
    return [
        Person(number, Browser(port, _signed_in(who)), str(knee.uuid), _days(knee), shared, _dice(number))
        for number, knee in enumerate(knees)
    ]


def _dice(number: int) -> Random:
    return Random(SEED + number)  # noqa: S311 - no secret


def _signed_in(who: User) -> dict[str, str]:
    client = Client(SERVER_NAME="localhost")
    client.force_login(who)
    return {name: morsel.value for name, morsel in client.cookies.items()}


def _knees(who: User) -> list[Knee]:
    """Knees operated on long enough ago, of patients who are alive and followed."""
    before = timezone.localdate() - timedelta(days=DAYS + 1)
    latest = knees_for(who, Action.RECORD_FOLLOW_UP).annotate(latest=Max("procedures__operated_on"))
    followed = latest.filter(latest__lt=before, patient__died_on=None, patient__ends_of_follow_up=None)
    return list(followed.order_by("pk"))


def _days(knee: Knee) -> Iterator[date]:
    """The last days without a visit, backwards."""
    today, seen = timezone.localdate(), set(knee.visits.values_list("seen_on", flat=True))
    days = (today - timedelta(days=ago) for ago in range(1, DAYS))
    return (day for day in days if day not in seen)
