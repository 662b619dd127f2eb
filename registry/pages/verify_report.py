"""What a patient told of another operation or of warning signs: verified and seen to, as corrections."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, ClassVar, cast
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.text import capfirst

from registry import recording
from registry.access import Action, knee_for
from registry.models import IndexProcedure, Knee, PatientReport, Reoperation, User
from registry.pages.correcting import answer, is_done
from registry.pages.corrections import ReasonForm, told
from registry.pages.differences import named
from registry.pages.drafts import keeps_drafts
from registry.pages.forms.base import RecordForm, Spoken
from registry.pages.forms.saving import Entry
from registry.pages.record_event import record_event
from registry.pages.story.reviews import signs_told, verification
from registry.pages.wording import Facts, facts
from registry.recording import Act, corrections_of
from registry.reports import may_confirm
from registry.vocabulary import OperatedAgain, OtherSurgery, ReoperationAction

Posted = Mapping[str, Any] | None
NOT_YET, SET_ASIDE = "", "set-aside"
NO_REASON = "Say why this is not another operation on this knee, such as what the hospital answered."
REASON_TOO_MUCH = (
    "'{}' says why there was no other operation on this knee. Choose 'There was none', or clear it."
)


class VerificationForm(RecordForm):
    """Which operation on record the patient meant, or why there was none."""

    title, done = "Verification", "Saved what came of the report."
    WIDE = ("confirmed_by",)

    class Meta:
        model = PatientReport
        fields = ("no_reoperation_because",)
        labels: ClassVar = {"no_reoperation_because": "Why there was none"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        report: PatientReport = self.instance
        self.operations = {str(each.uuid): each for each in may_confirm(report)}
        self.fields["confirmed_by"] = forms.TypedChoiceField(
            label="What the patient meant",
            choices=[
                *((key, _told(operation)) for key, operation in self.operations.items()),
                (SET_ASIDE, "There was no other operation on this knee: set it aside"),
                (NOT_YET, "Not verified yet"),
            ],
            coerce=self._chosen,
            empty_value=None,
            required=False,
            widget=forms.RadioSelect,
        )
        self.order_fields(["confirmed_by"])
        self.initial["confirmed_by"] = _key(report)

    def _chosen(self, key: str) -> Reoperation | IndexProcedure | str:
        return self.operations.get(key, key)

    def clean(self) -> dict[str, Any]:
        said: dict[str, Any] = super().clean() or self.cleaned_data
        chosen, because = said.get("confirmed_by"), said.get("no_reoperation_because")
        self.instance.reoperation = chosen if isinstance(chosen, Reoperation) else None
        self.instance.operation = chosen if isinstance(chosen, IndexProcedure) else None
        if chosen == SET_ASIDE and not because:
            self.add_error("no_reoperation_because", NO_REASON)
        elif because and chosen != SET_ASIDE:
            self.add_error("no_reoperation_because", REASON_TOO_MUCH.format(because))
        return said

    @property
    def why(self) -> str:
        """What was decided, for the history; the reason to set it aside stands in the report itself."""
        said = verification(self.instance)
        return said if self.instance.confirmed_by else said.partition(":")[0].partition(";")[0]


class SignsForm(Spoken, forms.Form):
    """What was done about the warning signs of a report."""

    title, done = "Warning signs", "The warning signs are seen to."
    WIDE = ("what_was_done",)
    what_was_done = forms.CharField(
        max_length=200, help_text="Kept in the history of this record with your name and the time."
    )

    def __init__(self, posted: Posted, instance: PatientReport, **options: Any) -> None:
        super().__init__(posted, **options)
        self.instance = instance

    def clean(self) -> dict[str, Any]:
        self.instance.signs_seen_to = True
        return super().clean() or self.cleaned_data

    @property
    def why(self) -> str:
        """What was done, for the history."""
        done: str = self.cleaned_data["what_was_done"]
        return done


ReportForm = type[VerificationForm] | type[SignsForm]


class ReportPage:
    """One form about a report, read anew."""

    def __init__(self, form: ReportForm, report: PatientReport, posted: Posted = None) -> None:
        fresh = PatientReport.objects.select_related("reoperation", "operation").get(pk=report.pk)
        self.form = form(posted, instance=fresh, prefix=_ACTS[form], use_required_attribute=False)

    @property
    def forms(self) -> list[Spoken]:
        return [self.form]

    @property
    def has_changed(self) -> bool:
        return self.form.has_changed()

    def is_valid(self) -> bool:
        return self.form.is_valid()

    def entries(self) -> list[Entry]:
        return [(self.form, self.form.instance)]

    def correct(self, act: Act, seen: int) -> None:
        recording.correct(self.form.instance, act=replace(act, reason=self.form.why), seen=seen)


_ACTS: dict[ReportForm, str] = {VerificationForm: "verify", SignsForm: "signs"}
_FORMS = {act: form for form, act in _ACTS.items()}


def verify_report(request: HttpRequest, knee: UUID, report: UUID) -> HttpResponse:
    """What the patient told, and a form for each thing to be done about it; then back to the Knee story."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    user = cast(User, request.user)
    row = _report(found, report)
    if not row.stands:
        messages.info(request, f"The {named(row)} is withdrawn.")
        return redirect("history", found.uuid)
    given = None
    if request.method == "POST":
        form = _form(row, request.POST.get("act", ""))
        given = answer(request, user, row, lambda posted: ReportPage(form, row, posted), form.title)
        if is_done(request, user, given, form.done):
            return redirect("knee_story", found.uuid)
        row.refresh_from_db()
    pages = {_ACTS[form]: ReportPage(form, row) for form in _open(row)}
    if given and (act := _ACTS[type(given.page.form)]) in pages:
        pages[act] = given.page
    context = {
        "knee": found,
        "report": row,
        "told": told_by(row),
        "acts": [(act, page.form) for act, page in pages.items()],
        "seen": (given.reason if given else ReasonForm(row, derived=VerificationForm.title))["seen"],
        "problems": given.problems if given else [],
        "conflict": given.conflict if given else None,
        "changes": told(corrections_of(row).order_by("-pk"), user),
    }
    return render(request, "registry/verify_report.html", context, status=given.status if given else 200)


@keeps_drafts
def reoperation_told(request: HttpRequest, knee: UUID, report: UUID) -> HttpResponse:
    """The page that records a reoperation; once it is on record, back to the report that told of it."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    row = _report(found, report)
    given = record_event(request, knee, "reoperation")
    if given.status_code == 302 and given.headers["Location"] == reverse("knee_story", args=[knee]):
        return redirect("verify_report", knee, row.uuid)
    return given


def told_by(report: PatientReport) -> Facts:
    """What the patient told, with the words unsealed, and what came of it."""
    words = report.opened()
    said = [(str(capfirst(name)), words[name]) for name in report.WORDS]
    said += [("Warning signs", signs_told(report)), ("Verified", verification(report))]
    seen_to = facts(report, "signs_seen_to") if report.signs else []
    return [
        *facts(report, "operated_again"),
        *((label, text) for label, text in said if text),
        *seen_to,
        *facts(report, "answered_on", "way", "time_point"),
    ]


def _report(knee: Knee, uuid: UUID) -> PatientReport:
    found = PatientReport.ever.select_related("reoperation", "operation").filter(knee=knee, uuid=uuid).first()
    if found is None:
        raise Http404
    return found


def _form(report: PatientReport, act: str) -> ReportForm:
    """The form that was sent, if the report ever asked for it."""
    asked = {"verify": report.operated_again != OperatedAgain.NO, "signs": bool(report.signs)}
    if not asked.get(act):
        raise Http404
    return _FORMS[act]


def _open(report: PatientReport) -> list[ReportForm]:
    """What is to be done about a report, the urgent first. A verification can be changed later."""
    signs: list[ReportForm] = [SignsForm] if report.signs and not report.signs_seen_to else []
    return [*signs, *([VerificationForm] if report.operated_again != OperatedAgain.NO else [])]


def _key(report: PatientReport) -> str:
    if report.confirmed_by:
        return str(report.confirmed_by.uuid)
    return SET_ASIDE if report.no_reoperation_because else NOT_YET


def _told(operation: Reoperation | IndexProcedure) -> str:
    """An operation with what was done: which of several the patient meant."""
    done = _done(operation) if isinstance(operation, Reoperation) else []
    return str(capfirst(named(operation))) + (f": {', '.join(done).lower()}" if done else "")


def _done(again: Reoperation) -> list[str]:
    other = [again.get_other_surgery_display()] if again.other_surgery != OtherSurgery.NONE else []
    on_tears = [each for each in again.on_tears.all() if each.action != ReoperationAction.NONE]
    return [*other, *dict.fromkeys(each.get_action_display() for each in on_tears)]
