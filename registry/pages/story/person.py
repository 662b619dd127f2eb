"""What concerns the patient rather than the knee: research permission, end of follow-up, death."""

from collections.abc import Iterator

from django.urls import reverse

from registry.pages.story.keeping import kept, links_of_event
from registry.pages.story.moment import Link, Moment
from registry.pages.story.teller import Teller
from registry.pages.wording import facts


def of_the_patient(told: Teller) -> Iterator[Moment]:
    patient, end = told.knee.patient, told.end
    if patient.research_permission_on:
        answer = patient.get_research_permission_display()
        yield Moment(
            on=patient.research_permission_on,
            title=f"Research permission: {answer}",
            rank=4,
            links=_links(told, "research-permission"),
        )
    if end:
        yield Moment(
            on=end.ended_on,
            title="End of follow-up",
            facts=facts(end, "reason", "attempts"),
            rank=8,
            kept=kept(told, end),
            links=links_of_event(told, end),
        )
    if patient.died_on:
        yield Moment(on=patient.died_on, title="Death", rank=9, links=_links(told, "death"))


def _links(told: Teller, kind: str) -> list[Link]:
    """These stand with the patient: the page that records them corrects them too."""
    if not told.reader.may_record:
        return []
    return [Link("Correct", reverse("record_event", args=[told.knee.uuid, kind]))]
