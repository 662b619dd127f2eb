"""Briefings made and kept: built once, archived with numbers, file and its SHA-256, never changed."""

from __future__ import annotations

import gzip
from hashlib import sha256

from django.core.exceptions import PermissionDenied
from django.utils import timezone

from outcomes.briefing.asked import AskedWronglyError, Brief
from outcomes.briefing.block import Numbers, numbers
from outcomes.briefing.changes import Difference, at, differences
from outcomes.briefing.document import briefing_html
from outcomes.briefing.gather import Contents, Say, gather
from outcomes.briefing.mixing import refuse_one_surgeon
from outcomes.cache import data_version, remembered
from outcomes.definitions import definition_coded
from outcomes.models import Briefing
from registry.access import Action, units_for
from registry.models import User


def make_briefing(brief: Brief, by: User, say: Say = lambda section: None) -> Briefing:
    """Build a briefing and put it into the archive; raises as `composed`."""
    briefing = composed(brief, by, say)
    briefing.save()
    return briefing


def composed(brief: Brief, by: User, say: Say = lambda section: None) -> Briefing:
    """Build a briefing that is not in the archive yet.

    Raises
    ------
    PermissionDenied
        When this person may not brief on the unit.
    AskedWronglyError
        When no primary repair can be counted, or the period would show one surgeon's results.
    """
    if not units_for(by, Action.BRIEF).filter(pk=brief.unit.pk).exists():
        raise PermissionDenied
    refuse_one_surgeon(brief)
    contents = gather(brief, by, last_before_today(brief), say)
    say("the file")
    return _written(contents, by)


def _written(contents: Contents, by: User) -> Briefing:
    brief, made_at = contents.brief, timezone.now()
    told = numbers(contents)
    html = briefing_html(contents, told, made_at).encode()
    return Briefing(
        unit=brief.unit,
        made_by=by,
        made_at=made_at,
        since=brief.since,
        until=brief.until,
        definition=brief.definition.code,
        closed_on=brief.closed_on,
        note=brief.note,
        numbers=told,
        html_gzipped=gzip.compress(html, mtime=0),
        sha256=sha256(html).hexdigest(),
    )


def last_before_today(brief: Brief) -> Briefing | None:
    """The unit's last briefing by this definition made before today; those of today are drafts of one."""
    earlier = Briefing.objects.filter(unit=brief.unit, definition=brief.definition.code)
    return earlier.filter(made_at__date__lt=brief.closed_on).first()


def was_written_since(briefing: Briefing) -> bool:
    """Whether anything at all was written to the record since; one cheap query."""
    return bool(at(briefing.numbers, ("asked", "record_version")) != data_version())


def counted_again(briefing: Briefing) -> Numbers:
    """The numbers of the same briefing as the record has them today."""
    parts = (briefing.pk, timezone.localdate())
    return remembered("briefing counted again", parts, lambda: _count_again(briefing))


def changed_since(briefing: Briefing) -> list[Difference]:
    """The numbers of a briefing that the record no longer tells as they were frozen."""
    return differences(briefing.numbers, counted_again(briefing)) if was_written_since(briefing) else []


def _count_again(briefing: Briefing) -> Numbers:
    brief = Brief(
        unit=briefing.unit,
        definition=definition_coded(briefing.definition),
        closed_on=timezone.localdate(),
        since=briefing.since,
        until=briefing.until,
    )
    try:
        return numbers(gather(brief, briefing.made_by, None))
    except AskedWronglyError:
        # Every repair was withdrawn since: nothing is told any more.
        return {}
