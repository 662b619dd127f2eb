"""What patients told that somebody has to see to: another operation to be verified, and warning signs.

Nothing of it is in a figure: a report counts only by the operation that confirms it.
"""

from functools import reduce
from operator import or_

from django.db.models import Q, QuerySet

from registry.models import IndexProcedure, PatientReport, Reoperation, Unit
from registry.vocabulary import OperatedAgain


def to_verify(units: QuerySet[Unit]) -> QuerySet[PatientReport]:
    """Reports of "yes" or "not sure" of these units' knees, neither confirmed nor set aside; newest first."""
    told = ~Q(operated_again=OperatedAgain.NO)
    return _of(units).filter(told, reoperation=None, operation=None, no_reoperation_because="")


def warning_signs(units: QuerySet[Unit]) -> QuerySet[PatientReport]:
    """Reports of these units' knees with a warning sign that nobody has seen to yet; newest first."""
    any_sign = reduce(or_, (Q(**{sign: True}) for sign in PatientReport.SIGNS))
    return _of(units).filter(any_sign, signs_seen_to=False)


def may_confirm(report: PatientReport) -> list[Reoperation | IndexProcedure]:
    """What a report may mean, latest first: later operations on its knee that are on record at the answer.

    The knee's first index procedure is none of them: it is what the patient was asked since.
    """
    known = {"knee": report.knee_id, "operated_on__lte": report.answered_on}
    later = IndexProcedure.objects.filter(**known).order_by("operated_on")[1:]
    reoperations = Reoperation.objects.filter(**known).prefetch_related("on_tears").order_by("pk")
    return sorted([*reoperations, *later], key=lambda each: each.operated_on, reverse=True)


def _of(units: QuerySet[Unit]) -> QuerySet[PatientReport]:
    knees = IndexProcedure.objects.filter(unit__in=units).values("knee")
    return PatientReport.objects.filter(knee__in=knees).order_by("-answered_on", "-pk")
