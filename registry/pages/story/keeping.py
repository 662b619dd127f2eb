"""How an entry came to be on record, and what its reader may do about it: correct, withdraw, sign."""

from django.db.models import QuerySet
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format

from registry.models import Entry, IndexProcedure, Knee
from registry.models.people import ABOUT_REVIEWS, SIGNS_OF_LIFE
from registry.pages.forms.events import kind_of
from registry.pages.story.moment import Link
from registry.pages.story.teller import Teller


def kept(told: Teller, entry: Entry) -> str:
    """Who entered it and when, whether it is signed, how often it was corrected."""
    sentences = [_entered(told, entry)]
    if isinstance(entry, IndexProcedure):
        sentences.append(_signed(told, entry))
    sentences += _corrected(told, entry)
    return "".join(f"{sentence}. " for sentence in sentences).strip()


def _entered(told: Teller, entry: Entry) -> str:
    by = f" by {told.reader.name_of(entry.recorded_by)}" if entry.recorded_by else ""
    return f"Entered {date_format(timezone.localtime(entry.recorded_at))}{by}"


def _signed(told: Teller, procedure: IndexProcedure) -> str:
    if procedure.signed_at is None or procedure.signed_by is None:
        return "Not signed"
    signed_on = date_format(timezone.localtime(procedure.signed_at))
    return f"Signed {signed_on} by {told.reader.name_of(procedure.signed_by)}"


def _corrected(told: Teller, entry: Entry) -> list[str]:
    changes = told.changes_of(entry)
    if changes.last_at is None:
        return []
    signed_at = entry.signed_at if isinstance(entry, IndexProcedure) else None
    if signed_at is None or changes.last_at <= signed_at:
        return ["Corrected once" if changes.times == 1 else f"Corrected {changes.times} times"]
    in_all = "" if changes.times == 1 else f", {changes.times} times in all"
    return [f"Corrected after signing{in_all}"]


def links_of_event(told: Teller, event: Entry) -> list[Link]:
    """Correct and withdraw, for who records follow-up."""
    if not told.reader.may_record:
        return []
    slug = kind_of(event).slug
    correct = Link("Correct", reverse("correct_event", args=[told.knee.uuid, slug, event.uuid]))
    return [correct, *link_to_withdraw(told, slug, event)]


def link_to_withdraw(told: Teller, slug: str, event: Entry) -> list[Link]:
    """Withdraw alone, of what no form corrects."""
    if not told.reader.may_record:
        return []
    return [Link("Withdraw", reverse("withdraw", args=[told.knee.uuid, slug, event.uuid]))]


def links_of_operation(told: Teller, procedure: IndexProcedure) -> list[Link]:
    """Sign one's own, correct and withdraw those of one's unit, and rehabilitation for who follows there."""
    reader, at = told.reader, [told.knee.uuid, procedure.uuid]
    offered = {
        sign_link(told, procedure): reader.signs(procedure) and not procedure.is_signed,
        Link("Correct", reverse("correct_operation", args=at)): reader.corrects(procedure),
        Link("Rehabilitation", reverse("rehabilitation", args=at)): reader.follows(procedure),
        Link("Withdraw", reverse("withdraw", args=[at[0], "operation", at[1]])): reader.corrects(procedure),
    }
    return [link for link, may in offered.items() if may]


def sign_link(told: Teller, procedure: IndexProcedure) -> Link:
    """The button that signs the note as it is told here, and no later version of it."""
    url = reverse("sign_operation", args=[told.knee.uuid, procedure.uuid])
    return Link("Sign", url, sends=True, seen=told.changes_of(procedure).latest)


def withdrawn_entries(knee: Knee) -> int:
    """How many entries of a knee do not count any more, in one query."""
    first, *others = (_withdrawn(knee, rows) for rows in SIGNS_OF_LIFE | ABOUT_REVIEWS)
    return first.union(*others, all=True).count()


def _withdrawn(knee: Knee, rows: str) -> QuerySet[Entry, int]:
    model = getattr(knee, rows).model
    withdrawn: QuerySet[Entry, int] = model.ever.filter(knee=knee, withdrawn_at__isnull=False)
    return withdrawn.order_by().values_list("pk", flat=True)
