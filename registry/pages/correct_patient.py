"""Correct what is known of a patient: sex, birth, how to write to them, and the side of an only knee."""

from functools import reduce
from operator import or_
from typing import Any, ClassVar
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from registry import recording
from registry.access import Action, knee_for
from registry.holding import hold
from registry.models import Knee, Patient, User
from registry.pages.correcting import answer, is_done
from registry.pages.drafts import draft_bar, keeps_drafts
from registry.pages.forms.base import Groups, RecordForm, Spoken, fields_of
from registry.pages.forms.saving import Entry
from registry.recording import Act, ChangedMeanwhile
from registry.retrying import retried_with

PERSON: Groups = {
    "Patient": ("sex", "born_on", "born_on_is_exact"),
    "Letters and reminders": ("language", "reminders"),
}


class PersonForm(RecordForm):
    """Sex and birth, and how the patient wishes to be written to."""

    title = "Patient"
    GROUPS = PERSON

    class Meta:
        model = Patient
        fields = fields_of(PERSON)
        help_texts: ClassVar = {
            "reminders": "With 'No reminders' nothing is sent; a link can still be handed over."
        }


class SideForm(RecordForm):
    """Left or right."""

    title = "Knee"

    class Meta:
        model = Knee
        fields = ("side",)


class PatientCorrection:
    """Patient and knee, read anew, as forms."""

    def __init__(self, knee: Knee, posted: Any = None) -> None:
        fresh = Knee.objects.select_related("patient").get(pk=knee.pk)
        self.person = PersonForm(posted, instance=fresh.patient)
        others = Knee.objects.filter(patient=fresh.patient).exclude(pk=fresh.pk)
        self.side = None if others.exists() else SideForm(posted, instance=fresh)

    @property
    def forms(self) -> list[Spoken]:
        return [self.person, *([self.side] if self.side else [])]

    @property
    def has_changed(self) -> bool:
        return any(form.has_changed() for form in self.forms)

    def is_valid(self) -> bool:
        return all([form.is_valid() for form in self.forms])

    def entries(self) -> list[Entry]:
        side: list[Entry] = [(self.side, self.side.instance)] if self.side else []
        return [(self.person, self.person.instance), *side]

    def correct(self, act: Act, seen: int) -> None:
        # Patient and knee are entries each; `seen` is a mark in the one sequence of all corrections, and
        # what somebody else changed of either is told at once.
        rows = [row for row in (self.person.instance, self.side and self.side.instance) if row]

        def work() -> None:
            hold(rows, "changing")
            later = reduce(or_, (recording.corrections_of(row) for row in rows)).filter(pk__gt=seen)
            if theirs := list(later.select_related("made_by")):
                raise ChangedMeanwhile(theirs)
            for row in rows:
                recording.correct(row, act=act, seen=seen)

        retried_with(rows, work)


@keeps_drafts
def correct_patient(request: HttpRequest, knee: UUID) -> HttpResponse:
    """The page as it is on record, what is to be mended, or back to the Knee story."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    assert isinstance(request.user, User)  # noqa: S101 - knee_for() let nobody else pass

    def build(posted: Any) -> PatientCorrection:
        return PatientCorrection(found, posted)

    given = answer(request, request.user, found.patient, build, along=[found])
    if is_done(request, request.user, given, "Corrected."):
        return redirect("knee_story", found.uuid)
    context = {"knee": found, "answer": given, "draft": draft_bar(request, restored=given.restored)}
    return render(request, "registry/correct_patient.html", context, status=given.status)
