"""Releases and work in hand that a coordinator may see: those all of whose units are theirs."""

from uuid import UUID

from django.db.models import QuerySet
from django.http import Http404, HttpRequest

from outcomes.models import LedgerEntry, LedgerKind
from outcomes.models.release import JobState, ReleaseJob
from outcomes.release import ledger
from registry.access import Action, require
from registry.models import Unit

# Work of these states is listed no longer: it became a release, or nothing.
OVER = (JobState.RELEASED, JobState.CANCELLED)
JOBS_LISTED = 200
LATER_WORDS = (LedgerKind.RECALL, LedgerKind.LETTER)


def entry_for(request: HttpRequest, key: UUID) -> LedgerEntry:
    """One entry of the ledger, of units that this person releases from; 404 for any other."""
    units = require(request.user, Action.RELEASE)
    for entry in ledger.for_units(units):
        if entry.uuid == key:
            return entry
    raise Http404


def release_for(request: HttpRequest, key: UUID) -> LedgerEntry:
    """One release, no later word on one; 404 as `entry_for`."""
    entry = entry_for(request, key)
    if entry.kind in LATER_WORDS:
        raise Http404
    return entry


def job_for(request: HttpRequest, key: UUID) -> ReleaseJob:
    """One release in the making, of units that this person releases from; 404 for any other."""
    units = require(request.user, Action.RELEASE)
    job = ReleaseJob.objects.select_related("asked_by", "entry").filter(uuid=key).first()
    if job is None or not _is_of(job, _codes(units)):
        raise Http404
    return job


def jobs_in_hand(units: QuerySet[Unit]) -> list[ReleaseJob]:
    """The work that is not over, newest first."""
    codes = _codes(units)
    jobs = ReleaseJob.objects.exclude(state__in=OVER).select_related("asked_by").defer("preview")
    return [job for job in jobs[:JOBS_LISTED] if _is_of(job, codes)]


def _codes(units: QuerySet[Unit]) -> set[str]:
    return set(units.values_list("code", flat=True))


def _is_of(job: ReleaseJob, codes: set[str]) -> bool:
    return set(job.asked["units"]) <= codes
