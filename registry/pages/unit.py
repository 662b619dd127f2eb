"""Unit: its settings, follow-up plan, surgeons and people on one page, with what was changed of them."""

from collections.abc import Mapping
from dataclasses import replace
from functools import reduce
from operator import or_
from typing import Any

from django.contrib import messages
from django.db.models import Prefetch, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from registry.access import Action, require, unit_for
from registry.models import Correction, GradePeriod, Kept, PlannedTimePoint, Surgeon, Unit, User
from registry.pages.correcting import NOTHING_CHANGED, Outcome, answer
from registry.pages.corrections import Change, told
from registry.pages.forms.unit import RowPage, SettingsForm, names_of
from registry.pages.tables import Table
from registry.pages.today.unit import people
from registry.pages.wording import facts
from registry.rules.schedule import DEFAULT_PLAN
from registry.signing_in.confirming import confirm_first
from registry.vocabulary import TimePoint

CHANGES = 20


def units(request: HttpRequest) -> HttpResponse:
    """On to the only unit that one manages, else all of them."""
    managed = list(require(request.user, Action.MANAGE_UNIT))
    if len(managed) == 1:
        return redirect("unit", managed[0].code)
    return render(request, "registry/units.html", {"units": managed})


def unit(request: HttpRequest, unit: str) -> HttpResponse:
    """Everything of one unit."""
    found = unit_for(request.user, unit, Action.MANAGE_UNIT)
    grades = Prefetch("grades", GradePeriod.objects.order_by("since"))
    plan = found.own_plan()
    context = {
        "unit": found,
        "facts": facts(found, *SettingsForm.Meta.fields),
        "plan": plan_table(plan or DEFAULT_PLAN),
        "follows_default": not plan,
        "surgeons": found.surgeons.select_related("user").prefetch_related(grades),
        "people": people(Unit.objects.filter(pk=found.pk)),
        "changes": history(found, person_of(request)),
    }
    return render(request, "registry/unit.html", context)


@confirm_first
def unit_settings(request: HttpRequest, unit: str) -> HttpResponse:
    """The settings as a form, with the reason for a change."""
    found = unit_for(request.user, unit, Action.MANAGE_UNIT)

    def build(posted: Mapping[str, Any] | None) -> RowPage:
        return RowPage(SettingsForm(posted, instance=Unit.objects.get(pk=found.pk)))

    return answered(request, found, found, build, "Settings", "The settings are changed.")


def answered(
    request: HttpRequest, unit: Unit, entry: Kept, build: Any, heading: str, done: str, **context: Any
) -> HttpResponse:
    """A page that corrects one row of a unit, or back to the unit once it is saved."""
    said = answer(request, person_of(request), entry, build)
    if said.outcome in (Outcome.SAVED, Outcome.UNCHANGED):
        tell(request, done if said.outcome is Outcome.SAVED else "")
        return redirect("unit", unit.code)
    context |= {
        "unit": unit,
        "heading": heading,
        "forms": said.page.forms,
        "reason": said.reason,
        "button": "Save the change",
        "problems": said.problems,
        "conflict": said.conflict,
    }
    return render(request, "registry/unit_row.html", context, status=said.status)


def tell(request: HttpRequest, done: str) -> None:
    """Say what was done, or that there was nothing to do."""
    if done:
        messages.success(request, done)
    else:
        messages.info(request, NOTHING_CHANGED)


def plan_table(plan: Any) -> Table:
    """A plan, one line a review."""
    columns = ["Review", "Due (days)", "From day", "To day", "Asked"]
    rows = [
        [
            str(TimePoint(review.code).label),
            str(review.due_day),
            str(review.due_day - review.window_days),
            str(review.due_day + review.window_days),
            names_of(review.instruments),
        ]
        for review in plan
    ]
    return Table("Days after the operation", columns, rows)


def history(unit: Unit, reader: User) -> list[Change]:
    """The latest changes of a unit's settings, plan and surgeons, newest first."""
    corrections = list(changes_of(unit)[:CHANGES])
    names = _names(unit)
    grades = GradePeriod.ever.filter(surgeon__units=unit).select_related("surgeon").in_bulk()
    return [
        replace(
            change,
            who=names.get(correction.made_by_id, change.who),
            row=_row(correction, change, grades),
        )
        for correction, change in zip(corrections, told(corrections, reader), strict=True)
    ]


def _names(unit: Unit) -> dict[int | None, str]:
    """The people of a unit, whom its administrator knows by name."""
    members = User.objects.filter(memberships__unit=unit)
    return {user.pk: user.shown_name for user in members}


def _row(correction: Correction, change: Change, grades: Mapping[int, GradePeriod]) -> str:
    """The row in words; a grade with whose it is."""
    if correction.row_table != GradePeriod._meta.db_table:
        return change.row
    return f"{grades[correction.row_id].surgeon}: {change.row}"


def changes_of(unit: Unit) -> QuerySet[Correction]:
    """Every change of a unit's own rows and its surgeons', newest first."""
    rows: tuple[QuerySet[Any], ...] = (
        Unit.ever.filter(pk=unit.pk),
        PlannedTimePoint.ever.filter(unit=unit),
        Surgeon.ever.filter(units=unit),
        GradePeriod.ever.filter(surgeon__units=unit),
    )
    return Correction.objects.filter(reduce(or_, (_of(found) for found in rows))).order_by("-pk")


def _of(rows: QuerySet[Any]) -> Q:
    return Q(row_table=rows.model._meta.db_table, row_id__in=rows.order_by().values("pk"))


def person_of(request: HttpRequest) -> User:
    assert isinstance(request.user, User)  # noqa: S101 - access let nobody else pass
    return request.user
