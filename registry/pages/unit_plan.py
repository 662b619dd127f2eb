"""The follow-up plan of a unit: its own, or the default as long as it has none."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

from django.db.models import Max, QuerySet
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render

from registry.access import Action, unit_for
from registry.models import Correction, PlannedTimePoint, Unit, User
from registry.pages.corrections import Conflict, Line, ReasonForm, told, with_theirs
from registry.pages.forms.base import Spoken, problems_of
from registry.pages.forms.saving import attempt
from registry.pages.forms.unit import ReviewForm, names_of, refuse_overlaps, review_forms
from registry.pages.unit import person_of, tell
from registry.recording import Act, ChangedMeanwhile, correct, withdraw
from registry.retrying import retried
from registry.rules.schedule import DEFAULT_PLAN, PlannedReview
from registry.vocabulary import TimePoint

NOT_PLANNED = "Not planned"
# The button that asks for the default plan, whatever the form says.
DEFAULT_BUTTON = "default"


def unit_plan(request: HttpRequest, unit: str) -> HttpResponse:
    """The plan as a form, with what is to be mended, or back to the unit."""
    found = unit_for(request.user, unit, Action.MANAGE_UNIT)
    if request.method != "POST":
        return _page(request, PlanPage.of(found))
    page = PlanPage.of(found, request.POST)
    try:
        if page.is_valid() and page.save(person_of(request)):
            tell(request, page.done)
            return redirect("unit", found.code)
    except ChangedMeanwhile as met:
        return _changed_meanwhile(request, found, met)
    return _page(request, page, status=422)


@dataclass
class PlanPage:
    """A form for each review that can be planned, and the reason."""

    unit: Unit
    recorded: list[PlannedReview]
    reviews: list[ReviewForm]
    reason: ReasonForm
    takes_default: bool = False

    @classmethod
    def of(cls, unit: Unit, posted: QueryDict | None = None) -> Self:
        recorded = unit.own_plan()
        reason = ReasonForm(unit, posted)
        reason.initial["seen"] = _changes(unit).aggregate(last=Max("pk"))["last"] or 0
        takes_default = posted is not None and DEFAULT_BUTTON in posted
        reviews = review_forms(recorded or DEFAULT_PLAN, posted)
        return cls(unit, recorded, reviews, reason, takes_default)

    @property
    def forms(self) -> list[Spoken]:
        return [*([] if self.takes_default else self.reviews), self.reason]

    @property
    def wanted(self) -> Sequence[PlannedReview]:
        if self.takes_default:
            return DEFAULT_PLAN
        return [form.planned for form in self.reviews if form.planned]

    @property
    def done(self) -> str:
        """What saving it comes to; nothing when it is on record like this."""
        if list(self.wanted) == self.recorded:
            return ""
        return "The follow-up plan is changed." if self.wanted else "The unit follows the default plan."

    def is_valid(self) -> bool:
        sound = all([form.is_valid() for form in self.forms])
        if sound and not self.takes_default:
            refuse_overlaps(self.reviews)
        return all([form.is_valid() for form in self.forms])

    def save(self, by: User) -> bool:
        """Make the plan on record the one wanted; False when refused, with the reason on the form."""
        act = self.reason.act(by)
        return attempt(lambda: retried(lambda: self._write(act)), [(self.reason, self.unit)])

    def _write(self, act: Act) -> None:
        self._refuse_if_changed()
        standing = {row.time_point: row for row in PlannedTimePoint.objects.filter(unit=self.unit)}
        wanted = {review.code: review for review in self.wanted}
        for row in standing.values():
            if row.time_point not in wanted:
                withdraw(row, act)
        correct(*(self._row(standing, review) for review in wanted.values()), act=act)

    def _row(self, standing: dict[str, PlannedTimePoint], review: PlannedReview) -> PlannedTimePoint:
        row = standing.get(review.code) or PlannedTimePoint(unit=self.unit, time_point=review.code)
        row.due_day, row.window_days = review.due_day, review.window_days
        row.instruments = list(review.instruments)
        return row

    def _refuse_if_changed(self) -> None:
        # The unit's row is held, so that nobody slips in between looking and writing.
        Unit.objects.select_for_update().get(pk=self.unit.pk)
        later = list(_changes(self.unit).filter(pk__gt=self.reason.mark).order_by("pk"))
        if later:
            raise ChangedMeanwhile(later)

    def differences(self) -> list[Line]:
        """Where the plan wanted differs from the one on record."""
        stands = {review.code: review for review in self.recorded}
        wants = {review.code: review for review in self.wanted}
        lines = (Line(str(code.label), _told(stands.get(code)), _told(wants.get(code))) for code in TimePoint)
        return [line for line in lines if line.before != line.after]


def _changed_meanwhile(request: HttpRequest, unit: Unit, met: ChangedMeanwhile) -> HttpResponse:
    page = PlanPage.of(unit, with_theirs(request.POST, [], met))
    mine = page.differences() if page.is_valid() else []
    return _page(request, page, Conflict(told(met.corrections, person_of(request)), mine), status=409)


def _page(
    request: HttpRequest, page: PlanPage, conflict: Conflict | None = None, status: int = 200
) -> HttpResponse:
    problems = problems_of(page.forms) if page.reason.is_bound else []
    context = {"unit": page.unit, "page": page, "problems": problems, "conflict": conflict}
    return render(request, "registry/unit_plan.html", context, status=status)


def _changes(unit: Unit) -> QuerySet[Correction]:
    rows = PlannedTimePoint.ever.filter(unit=unit).order_by().values("pk")
    return Correction.objects.filter(row_table=PlannedTimePoint._meta.db_table, row_id__in=rows)


def _told(review: PlannedReview | None) -> str:
    if review is None:
        return NOT_PLANNED
    asked = names_of(review.instruments)
    return f"Day {review.due_day}, {review.window_days} days each way; asked: {asked}"
