"""What rows of identities, reports and links hold beside their story's own values."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from django.conf import settings

from registry import sealing
from registry.demo.review_stories import HalfStory, LinkStory, ReportStory
from registry.demo.story import IdentityStory
from registry.models import Identity, PatientReport
from registry.patient_link.screens import NO_SIGN, Answers


def identity_values(story: IdentityStory, unit: int) -> dict[str, Any]:
    """As `Identity.sealed` has them, without a model made for each patient."""
    sealed = {f"{name}_sealed": sealing.seal(getattr(story, name)) for name in Identity.FIELDS}
    index = sealing.blind_index(unit, story.hospital_number)
    return {**sealed, "unit_id": unit, "hospital_number_index": index}


def report_values(
    story: ReportStory, reoperations: Sequence[int], procedures: Sequence[int]
) -> dict[str, Any]:
    """The patient's words, and what confirms the report among the keys of the knee's operations."""
    sealed = {f"{name}_sealed": sealing.seal(getattr(story, name)) for name in PatientReport.WORDS}
    return {
        **sealed,
        "reoperation_id": None if story.reoperation is None else reoperations[story.reoperation],
        "operation_id": None if story.procedure is None else procedures[story.procedure],
    }


def link_values(story: LinkStory, told: Sequence[ReportStory], reports: Sequence[int]) -> dict[str, Any]:
    """How long it holds, that a run made it, and what came of it; `reports` are the keys of `told`."""
    return {
        "expires_at": story.made_at + timedelta(days=settings.LINK_VALID_DAYS),
        "made_by_id": None,
        "wrong_tries": 0,
        "taken_back_at": None,
        "report_id": None if story.report is None else reports[story.report],
        "answers_sealed": "" if story.half is None else _sealed(story.half, told[story.half.report]),
    }


def _sealed(half: HalfStory, told: ReportStory) -> str:
    """As a link keeps them until all of it is sent."""
    answers = Answers(
        report={"again": told.operated_again, **{name: getattr(told, name) for name in PatientReport.WORDS}},
        signs=[sign for sign in PatientReport.SIGNS if getattr(told, sign)] or [NO_SIGN],
        items={instrument: dict(items) for instrument, items in half.items.items()},
        done=list(half.done),
    )
    return sealing.seal(answers.plain())
