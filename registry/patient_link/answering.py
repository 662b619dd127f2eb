"""What is answered by a link: kept sealed from screen to screen, and put on record.

Whether the knee was operated on again goes on record at once, as the patient's report; going back and
answering otherwise corrects it. Scores go on record when all is sent. A form that was answered for this knee
that day already, in clinic or on paper, takes up what the link adds or changes as a correction, so that
nothing said either way is lost and the history tells both.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.utils import timezone

from registry import sealing
from registry.models import PatientLink, PatientReport, ScoreResponse
from registry.patient_link.entering import held
from registry.patient_link.screens import (
    AGAIN,
    SEND,
    SIGNS,
    SIGNS_OF_TROUBLE,
    TOLD,
    Answers,
    Screen,
    Taken,
    first_not_done,
    screens_of,
    take,
)
from registry.recording import Act, correct, record
from registry.retrying import retried
from registry.vocabulary import AnswerWay, OperatedAgain

WENT_ON = Act(None, "The patient went on in the same link")
ANSWERED_BY_LINK_TOO = Act(None, "The patient answered this form by their link on the same day")


@dataclass(frozen=True, slots=True)
class Kept:
    """A link with its answers after a screen was taken; `screen` is None where it has no such screen."""

    link: PatientLink
    answers: Answers
    screen: Screen | None
    taken: Taken

    @property
    def screens(self) -> tuple[Screen, ...]:
        return screens_of(self.link.instruments, self.answers)


def answers_of(link: PatientLink) -> Answers:
    return Answers.read(sealing.unseal(link.answers_sealed))


def keep(link: UUID, key: str, posted: Mapping[str, str], now: datetime, *, going_on: bool) -> Kept | None:
    """Keep what was sent from a screen; None where the link can no longer be answered.

    `going_on` says that the patient wants to leave the screen behind. It is done then, unless something on it
    is still open; with "anyway" sent, unanswered items are left so.
    """
    return retried(lambda: _keep(link, key, posted, now, going_on))


def _keep(link: UUID, key: str, posted: Mapping[str, str], now: datetime, going_on: bool) -> Kept | None:
    found = held(link, now)
    if found is None:
        return None
    answers = answers_of(found)
    screen = next((each for each in screens_of(found.instruments, answers) if each.key == key), None)
    if screen is None or screen is SEND:
        return Kept(found, answers, screen, Taken())
    taken = take(screen, posted, answers)
    may_leave = not taken.wrong and (not taken.unanswered or ("anyway" in posted and screen is not AGAIN))
    if going_on and (may_leave or screen.key in answers.done):
        if screen.key not in answers.done:
            answers.done.append(screen.key)
        if screen in (AGAIN, SIGNS_OF_TROUBLE):
            _report(found, answers, now)
        taken = Taken(wrong=taken.wrong)
    found.answers_sealed = sealing.seal(answers.plain())
    found.save(update_fields=["answers_sealed", "report"])
    return Kept(found, answers, screen, taken)


def finish(link: UUID, now: datetime) -> None:
    """Put every form with an answer on record and end the link, once every screen is done.

    Sent a second time at the same moment, the second waits for the first and finds the link answered.
    """
    retried(lambda: _finish(link, now))


def _finish(link: UUID, now: datetime) -> None:
    found = held(link, now)
    if found is None:
        return
    answers = answers_of(found)
    if first_not_done(screens_of(found.instruments, answers), answers) is not SEND:
        return
    for code in found.instruments:
        if items := answers.items.get(code):
            _score(found, code, items, now)
    found.finished_at = now
    found.answers_sealed = ""  # all of it is on record
    found.save(update_fields=["finished_at", "answers_sealed"])


def _score(link: PatientLink, code: str, items: dict[str, int], now: datetime) -> None:
    day = timezone.localdate(now)
    known = ScoreResponse.objects.filter(knee=link.knee, instrument=code, answered_on=day).first()
    if known:
        known.items = {**known.items, **items}
        correct(known, act=ANSWERED_BY_LINK_TOO)
    else:
        record(
            ScoreResponse(knee=link.knee, answered_on=day, instrument=code, items=items, way=AnswerWay.LINK)
        )


def _report(link: PatientLink, answers: Answers, now: datetime) -> None:
    """The patient's report as answered: a new one, or the link's own corrected while it stands."""
    standing = PatientReport.objects.select_for_update()
    report = standing.filter(pk=link.report_id).first() if link.report_id else None
    if report is None:
        words = {name: answers.report[name] for name in TOLD}
        link.report = PatientReport.sealed(
            words,
            knee=link.knee,
            answered_on=timezone.localdate(now),
            time_point=link.time_point,
            way=AnswerWay.LINK,
            operated_again=answers.report["again"],
            **_signs(answers),
        )
        record(link.report)
        return
    _bring_up_to_date(report, answers)
    correct(report, act=WENT_ON)


def _bring_up_to_date(report: PatientReport, answers: Answers) -> None:
    signs = _signs(answers)
    if any(told and not getattr(report, sign) for sign, told in signs.items()):
        report.signs_seen_to = False
    for sign, told in signs.items():
        setattr(report, sign, told)
    verified = report.reoperation_id or report.operation_id or report.no_reoperation_because
    if verified and answers.report["again"] == OperatedAgain.NO:
        return  # the clinic has looked into it meanwhile: what it found stands, and so does what it rests on
    report.operated_again = answers.report["again"]
    for name, words in report.opened().items():
        if words != answers.report[name]:
            setattr(report, f"{name}_sealed", sealing.seal(answers.report[name]))


def _signs(answers: Answers) -> dict[str, bool]:
    return {sign: sign in answers.signs_told for sign in SIGNS}
