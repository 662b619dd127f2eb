"""The reader's own pages half filled in, on Today: what each asks, of which knee, and when it was kept."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from django.urls import Resolver404, ResolverMatch, resolve
from django.utils import timezone

from registry.access import knees_for
from registry.models import Draft, Knee, User
from registry.pages.forms.events import KINDS


@dataclass(frozen=True, slots=True)
class UnsentPage:
    """One draft: its page in words, where it is, and when it was kept."""

    what: str
    url: str
    kept_at: datetime
    knee: Knee | None


def drafts_of(person: User) -> list[UnsentPage]:
    """The drafts of one person that can still be opened, newest first."""
    since = timezone.now() - Draft.KEPT_FOR
    kept = Draft.objects.filter(user=person, saved_at__gte=since).order_by("-saved_at")
    pages = [(draft, match) for draft in kept.only("page", "saved_at") if (match := _page(draft))]
    uuids = [match.kwargs["knee"] for _, match in pages if "knee" in match.kwargs]
    found = knees_for(person).filter(uuid__in=uuids).select_related("patient")
    knees: dict[UUID, Knee] = {knee.uuid: knee for knee in found}
    return [
        UnsentPage(_words(match), draft.page, draft.saved_at, knees.get(match.kwargs.get("knee")))  # type: ignore[arg-type]
        for draft, match in pages
        if "knee" not in match.kwargs or match.kwargs["knee"] in knees
    ]


def _page(draft: Draft) -> ResolverMatch | None:
    try:
        return resolve(draft.page)
    except Resolver404:
        return None


def _words(match: Any) -> str:
    """What a page asks, from the name of its address: "record_event" of a visit reads "Record visit"."""
    kind = KINDS.get(match.kwargs.get("kind", ""))
    words = str(match.url_name).replace("_", " ")
    return (words.replace("event", kind.name) if kind else words).capitalize()
