"""The second factor. Whoever holds a token learns nothing from it without the patient's year of birth.

Any token at all, real or not, opens the same page, which asks for the year; the database is not asked then.
A year sent for a token that is altered, guessed, unknown, over, answered, locked or taken back, or whose
patient died or is no longer followed, and a wrong year sent for a real one: all get one page, by one way
through the code, with the same statements to the database in one transaction that always writes. The
database alone decides, so that nothing is read of a link that will be refused. So neither words, status,
headers nor time tell whether there is a link.
"""

from datetime import datetime
from enum import Enum
from uuid import UUID

from django.db import transaction
from django.db.models import Exists, F, OuterRef, QuerySet

from registry.models import EndOfFollowUp, IndexProcedure, PatientLink
from registry.models.links import TRIES
from registry.patient_link.knocks import forget, may_knock

NO_LINK = UUID(int=0)  # looked up in place of a name that could not be read


class Refusal(Enum):
    """What stands in place of a link that was not opened."""

    NOT_OPENED = "not opened"
    TOO_MANY_KNOCKS = "too many knocks"


def enter(link: UUID | None, year: int, address: str, now: datetime) -> PatientLink | Refusal:
    """The link, if it can be answered and the year is the patient's; a wrong year is counted against it."""
    forget(now)
    with transaction.atomic():
        if not may_knock(address, now):
            return Refusal.TOO_MANY_KNOCKS
        named = PatientLink.objects.filter(uuid=link or NO_LINK)
        # Tries at one moment wait for each other, so that no sixth is counted.
        named.select_for_update().values_list("pk").first()
        answerable = open_links(now) & named
        answerable.exclude(knee__patient__born_on__year=year).update(wrong_tries=F("wrong_tries") + 1)
        return answerable.filter(knee__patient__born_on__year=year).first() or Refusal.NOT_OPENED


def open_links(now: datetime) -> QuerySet[PatientLink]:
    """The links that can be answered: in time, not answered, locked or taken back, the patient followed."""
    return PatientLink.objects.filter(
        ~Exists(EndOfFollowUp.objects.filter(patient=OuterRef("knee__patient"))),
        Exists(IndexProcedure.objects.filter(knee=OuterRef("knee"))),
        finished_at=None,
        taken_back_at=None,
        wrong_tries__lt=TRIES,
        expires_at__gt=now,
        knee__withdrawn_at=None,
        knee__patient__died_on=None,
    )


def held(link: UUID, now: datetime) -> PatientLink | None:
    """The link with its knee and patient, held until the transaction ends; None if it cannot be answered."""
    found = open_links(now).select_related("knee__patient").select_for_update(of=("self",))
    return found.filter(uuid=link).first()
