"""Making a link, finding one that is still open, its address, and taking it back."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from django.conf import settings
from django.core.exceptions import ValidationError
from django.urls import reverse
from django.utils import timezone

from registry.models import Knee, PatientLink, User
from registry.patient_link.entering import open_links
from registry.patient_link.token import token_of
from registry.recording import record
from registry.reviews import reviews_of
from registry.rules.schedule import ASKED_AT_A_REVIEW
from registry.scoring import INSTRUMENTS


def make_link(
    knee: Knee,
    time_point: str,
    by: User | None = None,
    instruments: Sequence[str] = (),
    now: datetime | None = None,
) -> PatientLink:
    """A new link in the patient's language, which asks what is named, or what the review asks.

    Raises
    ------
    django.core.exceptions.ValidationError
        An instrument that the site does not know, or a time point that is none.
    """
    now = now or timezone.now()
    asked = list(instruments) or _asked_at(knee, time_point)
    if unknown := [code for code in asked if code not in INSTRUMENTS]:
        raise ValidationError(
            {
                "instruments": f"'{', '.join(unknown)}' is not an instrument here. "
                f"Choose from: {', '.join(INSTRUMENTS)}."
            }
        )
    link = PatientLink(
        knee=knee,
        time_point=time_point,
        instruments=asked,
        language=knee.patient.language,
        made_at=now,
        made_by=by,
        expires_at=now + timedelta(days=settings.LINK_VALID_DAYS),
    )
    record(link)
    return link


def open_link(knee: Knee, time_point: str, now: datetime | None = None) -> PatientLink | None:
    """The newest link of this review that can still be answered."""
    return open_links(now or timezone.now()).filter(knee=knee, time_point=time_point).first()


def address(link: PatientLink) -> str:
    """Where the patient answers: the site's own address with the token, and nothing else in it."""
    return f"{settings.SITE_URL}{reverse('patient_link', args=[token_of(link.uuid)])}"


def take_back(link: PatientLink, now: datetime | None = None) -> None:
    """From now on nobody can answer by this link. One that was answered or taken back stays as it is."""
    standing = PatientLink.objects.filter(pk=link.pk, finished_at=None, taken_back_at=None)
    standing.update(taken_back_at=now or timezone.now())
    link.refresh_from_db()


def _asked_at(knee: Knee, time_point: str) -> list[str]:
    planned = (review.instruments for review in reviews_of(knee) if review.time_point == time_point)
    return list(next(planned, ASKED_AT_A_REVIEW))
