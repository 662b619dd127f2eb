"""Rehabilitation after one operation: what was planned beside how it went."""

from typing import Any, ClassVar
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from registry import recording
from registry.access import Action, knee_for, units_for
from registry.models import IndexProcedure, Rehabilitation, User
from registry.pages.correcting import Outcome, answer, is_done
from registry.pages.differences import named
from registry.pages.drafts import draft_bar, keeps_drafts
from registry.pages.forms.base import RecordForm, Spoken
from registry.pages.forms.saving import Entry
from registry.pages.wording import facts
from registry.recording import Act
from registry.vocabulary import RehabilitationCourse

ADDED = "Rehabilitation entered"
REASON_HELP = "Asked only when something on record changes, or a plan is added to a signed note."
FIELDS = (
    "full_weight_bearing_weeks",
    "brace_weeks",
    "flexion_limit_deg",
    "flexion_limit_weeks",
    "sport_return_months",
)


class RehabilitationForm(RecordForm):
    """The limits of one course, planned or as it went."""

    class Meta:
        model = Rehabilitation
        fields = FIELDS


class BothCourses:
    """Planned and actual course of one operation, read anew, as forms."""

    COURSES: ClassVar = (RehabilitationCourse.PLANNED, RehabilitationCourse.ACTUAL)

    def __init__(self, operation: IndexProcedure, posted: Any = None) -> None:
        self.is_signed = operation.is_signed
        known = {row.course: row for row in Rehabilitation.objects.filter(procedure=operation)}
        self.courses = [_form(operation, course, known.get(course), posted) for course in self.COURSES]

    @property
    def forms(self) -> list[Spoken]:
        return [*self.courses]

    @property
    def changed(self) -> list[RehabilitationForm]:
        return [form for form in self.courses if form.has_changed()]

    @property
    def has_changed(self) -> bool:
        return bool(self.changed)

    @property
    def asks_why(self) -> bool:
        """Whether what is on record would read differently; a signed note also says what was planned."""
        return any(form.instance.pk or self._is_signed_plan(form) for form in self.changed)

    def _is_signed_plan(self, form: RehabilitationForm) -> bool:
        return self.is_signed and form.instance.course == RehabilitationCourse.PLANNED

    def is_valid(self) -> bool:
        return all([form.is_valid() for form in self.courses])

    def entries(self) -> list[Entry]:
        return [(form, form.instance) for form in self.changed]

    def correct(self, act: Act, seen: int) -> None:
        recording.correct(*(form.instance for form in self.changed), act=act, seen=seen)


@keeps_drafts
def rehabilitation(request: HttpRequest, knee: UUID, operation: UUID) -> HttpResponse:
    """Both courses as they are on record, what is to be mended, or back to the Knee story."""
    found = knee_for(request.user, knee, Action.RECORD_FOLLOW_UP)
    assert isinstance(request.user, User)  # noqa: S101 - knee_for() let nobody else pass
    procedure = IndexProcedure.objects.filter(knee=found, uuid=operation).first()
    if procedure is None:
        raise Http404
    if not units_for(request.user, Action.RECORD_FOLLOW_UP).filter(pk=procedure.unit_id).exists():
        raise PermissionDenied

    def build(posted: Any) -> BothCourses:
        return BothCourses(procedure, posted)

    asks = request.method != "POST" or build(request.POST).asks_why
    given = answer(request, request.user, procedure, build, derived="" if asks else ADDED)
    if is_done(request, request.user, given, "Rehabilitation recorded."):
        return redirect("knee_story", found.uuid)
    if given.outcome is Outcome.OPENED:
        given.reason.fields["reason"].required = False
        given.reason.fields["reason"].help_text = REASON_HELP
    context = {
        "knee": found,
        "operation": named(procedure),
        "answer": given,
        "beside": _beside(procedure),
        "known": any(form.instance.pk for form in given.page.courses),
        "draft": draft_bar(request, restored=given.restored),
    }
    return render(request, "registry/rehabilitation.html", context, status=given.status)


def _form(
    operation: IndexProcedure, course: RehabilitationCourse, known: Rehabilitation | None, posted: Any
) -> RehabilitationForm:
    row = known or Rehabilitation(procedure=operation, course=course)
    form = RehabilitationForm(
        posted, instance=row, prefix=course.value, empty_permitted=True, use_required_attribute=False
    )
    form.title = course.label
    return form


def _beside(operation: IndexProcedure) -> list[tuple[str, str, str]]:
    """Label, planned and actual of every limit that either course has on record."""
    rows = {
        row.course: dict(facts(row, *FIELDS)) for row in Rehabilitation.objects.filter(procedure=operation)
    }
    planned, actual = (rows.get(course, {}) for course in BothCourses.COURSES)
    return [(label, planned.get(label, "-"), actual.get(label, "-")) for label in {**planned, **actual}]
