"""History: every change of a patient's record in words, newest first; withdrawals are undone here."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import reduce
from operator import or_
from typing import Any, Self
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Page, Paginator
from django.db import IntegrityError
from django.db.models import Max, Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from registry.access import Action, knee_for, knees_for, units_for
from registry.models import (
    Correction,
    EndOfFollowUp,
    Identity,
    IndexProcedure,
    Kept,
    Knee,
    Patient,
    TearReading,
    User,
)
from registry.models.history_rules import kept_models
from registry.models.people import ABOUT_REVIEWS, SIGNS_OF_LIFE
from registry.pages.differences import Change, told
from registry.pages.forms.base import Problem, Spoken, problems_of
from registry.pages.forms.saving import refusal
from registry.recording import Act, ChangedMeanwhile, reinstate
from registry.vocabulary import CorrectionKind

ACTS_A_PAGE = 20
READINGS = TearReading._meta.db_table
CHANGED_MEANWHILE = "Somebody else reinstated or changed it at the same moment. Look at what stands by now."


class ReinstatementForm(Spoken, forms.Form):
    """Why an act of withdrawal is undone; one form an act, so each has a prefix of its own."""

    title = "Reinstate"
    reason = forms.CharField(max_length=200, label="Reason to reinstate")

    def __init__(self, act: UUID, posted: Any = None) -> None:
        super().__init__(posted, prefix=f"act-{act}", use_required_attribute=False)


@dataclass(frozen=True, slots=True)
class ToldAct:
    """What was done in one go: who, when, why, each row it changed, and the form that undoes a withdrawal."""

    key: UUID
    who: str
    at: datetime
    reason: str
    changes: list[Change]
    undoing: ReinstatementForm | None

    @classmethod
    def of(cls, changes: list[Change], undoing: ReinstatementForm | None) -> Self:
        first = changes[0]
        return cls(first.act, first.who, first.at, first.reason, changes, undoing)


def history(request: HttpRequest, knee: UUID) -> HttpResponse:
    """The acts of one page, or on to what was reinstated."""
    found = knee_for(request.user, knee)
    assert isinstance(request.user, User)  # noqa: S101 - knee_for() let nobody else pass
    corrections = corrections_seen(request.user, found)
    refused = _reinstate(request, request.user, corrections) if request.method == "POST" else None
    if request.method == "POST" and refused is None:
        return redirect("history", found.uuid)
    acts = corrections.order_by().values("act").annotate(last=Max("pk")).order_by("-last")
    page = Paginator(acts, ACTS_A_PAGE).get_page(request.GET.get("page"))
    context = {
        "knee": found,
        "page": page,
        "acts": _told_acts(request.user, corrections, page, refused),
        "problems": _problems(refused),
    }
    return render(request, "registry/history.html", context, status=422 if refused else 200)


def corrections_seen(reader: User, knee: Knee) -> QuerySet[Correction]:
    """The corrections of the knee's patient, those of a knee that the reader does not see left out."""
    knees = knees_for(reader).filter(patient=knee.patient_id)
    seen = [
        _entries(Patient, pk=knee.patient_id),
        _entries(Knee, pk__in=knees),
        _entries(Identity, patient=knee.patient_id),
        _entries(EndOfFollowUp, patient=knee.patient_id),
        _entries(TearReading, tear__procedure__knee__in=knees),
        *(_entries(getattr(knee, rows).model, knee__in=knees) for rows in SIGNS_OF_LIFE | ABOUT_REVIEWS),
    ]
    return Correction.objects.filter(reduce(or_, seen), patient=knee.patient_id)


def _entries(model: type[Kept], **which: Any) -> Q:
    return Q(entry_table=model._meta.db_table, entry_id__in=model.ever.filter(**which).values("pk"))


def _told_acts(
    reader: User,
    corrections: QuerySet[Correction],
    page: "Page[Any]",
    refused: ReinstatementForm | None,
) -> list[ToldAct]:
    keys = [act["act"] for act in page]
    listed = list(corrections.filter(act__in=keys))
    undone = may_be_undone(reader, listed)
    by_act: dict[UUID, list[Change]] = defaultdict(list)
    for change in told(listed, reader):
        by_act[change.act].append(change)
    return [ToldAct.of(by_act[key], _undoing(key, refused) if key in undone else None) for key in keys]


def _undoing(act: UUID, refused: ReinstatementForm | None) -> ReinstatementForm:
    form = ReinstatementForm(act)
    return refused if refused and refused.prefix == form.prefix else form


def may_be_undone(person: User, corrections: Iterable[Correction]) -> set[UUID]:
    """The acts whose withdrawals stand as they were made and that the person may undo."""
    withdrawn = [each for each in corrections if each.kind == CorrectionKind.WITHDRAWN]
    stand = _withdrawn_still(withdrawn)
    allowed = _allowed(person, withdrawn)
    acts: dict[UUID, list[Correction]] = defaultdict(list)
    for each in withdrawn:
        acts[each.act].append(each)
    return {
        act
        for act, rows in acts.items()
        if all((each.row_table, each.row_id, each.version) in stand for each in rows)
        and _is_allowed(rows, allowed)
    }


def _is_allowed(act: Iterable[Correction], allowed: set[tuple[str, int]]) -> bool:
    """Whether what was withdrawn may come back; a reading comes with its tear, and never by itself."""
    entries = {(each.entry_table, each.entry_id) for each in act if each.entry_table != READINGS}
    return bool(entries) and entries <= allowed


def _withdrawn_still(withdrawn: list[Correction]) -> set[tuple[str, int, int]]:
    tables = {model._meta.db_table: model for model in kept_models()}
    ids: dict[str, set[int]] = defaultdict(set)
    for each in withdrawn:
        ids[each.row_table].add(each.row_id)
    return {
        (table, key, version)
        for table, keys in ids.items()
        for key, version in tables[table]
        .ever.filter(pk__in=keys, withdrawn_at__isnull=False)
        .values_list("pk", "version")
    }


def _allowed(person: User, withdrawn: list[Correction]) -> set[tuple[str, int]]:
    """Entries whose withdrawal the person may undo: those that the person may withdraw."""
    ids: dict[str, set[int]] = defaultdict(set)
    for each in withdrawn:
        ids[each.entry_table].add(each.entry_id)
    tables = {model._meta.db_table: model for model in kept_models()}
    return {
        (table, key)
        for table, keys in ids.items()
        if (right := _right_to(tables[table], person)) is not None
        for key in tables[table].ever.filter(right, pk__in=keys).values_list("pk", flat=True)
    }


def _right_to(model: type[Kept], person: User) -> Q | None:
    """Which entries of a kind the person may withdraw; None where nobody withdraws any by itself."""
    followed = knees_for(person, Action.RECORD_FOLLOW_UP)
    if model is IndexProcedure:
        return Q(unit__in=units_for(person, Action.RECORD_OPERATION))
    if model is EndOfFollowUp:
        return Q(patient__in=followed.values("patient"))
    return Q(knee__in=followed) if model.PART_OF == ("knee",) else None


def _reinstate(
    request: HttpRequest, user: User, corrections: QuerySet[Correction]
) -> ReinstatementForm | None:
    """None when it is done, else the form with what is to be mended."""
    listed = list(corrections.filter(act=_posted_act(request)))
    if not listed:
        raise Http404
    act = listed[0].act
    if act not in may_be_undone(user, listed):
        messages.warning(request, "This cannot be reinstated by you, or it was reinstated already.")
        return None
    form = ReinstatementForm(act, request.POST)
    if form.is_valid() and _reinstated(form, act, user):
        messages.success(request, "Reinstated. It counts again.")
        return None
    return form


def _reinstated(form: ReinstatementForm, act: UUID, user: User) -> bool:
    try:
        reinstate(act, Act(user, form.cleaned_data["reason"]))
    except ValidationError as error:
        form.add_error("reason", [words for words in error.messages])
    except IntegrityError as error:
        form.add_error("reason", refusal(error))
    except ChangedMeanwhile:
        form.add_error("reason", CHANGED_MEANWHILE)
    else:
        return True
    return False


def _posted_act(request: HttpRequest) -> UUID:
    try:
        return UUID(request.POST.get("act", ""))
    except ValueError as error:
        raise Http404 from error


def _problems(refused: ReinstatementForm | None) -> list[Problem]:
    return problems_of([refused]) if refused else []
