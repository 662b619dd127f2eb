"""Survival for programs: the results of the page Survival, and the numbers of its further views."""

from typing import Any

from django.http import Http404
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from outcomes.api.asking import cohort_asked, filter_parameters, filters_of, not_shown
from outcomes.api.survival_shapes import (
    DefinitionSerializer,
    FiltersSerializer,
    SurvivalSerializer,
    definition_told,
    result_told,
)
from outcomes.api.telling import read
from outcomes.charts.figure import Figure
from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.pages.filters import Asked, NothingShownError
from outcomes.pages.survival_form import UnturnedForm
from outcomes.pages.views import VIEWS, Answer, View
from outcomes.survival import survival_results
from registry.api.etags import tagged
from registry.api.paging import refused
from registry.api.view import ApiView
from registry.vocabulary import Scope

TAG = "Survival"
LANDMARKS, MOST_LANDMARKS, LAST_DAY = "landmarks", 20, 36_525
WRONG_LANDMARKS = (
    f"Give whole days from 0 to {LAST_DAY}, at most {MOST_LANDMARKS}, with commas between: 365,730."
)
_USUAL = tuple(LANDMARK_DAYS.values())
LANDMARKS_ASKED = OpenApiParameter(
    LANDMARKS,
    {"type": "string", "pattern": r"^\d{1,5}(,\d{1,5}){0,19}$", "default": ",".join(map(str, _USUAL))},
    description="Days after the operation to read the curves at.",
)


class FactSerializer(serializers.Serializer):
    """One thing said of the numbers."""

    label = serializers.CharField()
    text = serializers.CharField()


class ToldSerializer(serializers.Serializer):
    """What is printed around the numbers: cohort, numbers followed, method, references, cautions."""

    title = serializers.CharField()
    facts = FactSerializer(many=True)
    cautions = serializers.ListField(child=serializers.CharField())


class ViewSerializer(serializers.Serializer):
    """One further question put to a cohort, and its numbers row by row."""

    code = serializers.CharField()
    asks = serializers.CharField(help_text="The question in words.")
    cohort = FiltersSerializer()
    definition = DefinitionSerializer()
    closed_on = serializers.DateField()
    not_split = serializers.CharField(allow_blank=True)
    told = ToldSerializer(many=True, help_text="None where there is nothing to show.")
    columns = serializers.ListField(child=serializers.CharField())
    rows = serializers.ListField(
        child=serializers.DictField(),
        help_text="Each an object by the names of the columns; null: not known.",
    )


class FiguresView(ApiView):
    """Base of what reads figures."""

    read_scope = Scope.READ_FIGURES
    write_scope = None


class SurvivalView(FiguresView):
    """The curves of a cohort."""

    @read(
        TAG,
        "read_survival",
        "How long repairs last, split as asked, with every step of the curves",
        SurvivalSerializer,
        parameters=[*filter_parameters(), LANDMARKS_ASKED],
    )
    def get(self, request: Request) -> Response:
        of = cohort_asked(request, self.person, UnturnedForm, LANDMARKS)
        days = _days(request)
        shown, not_split = of.joined_splits(of.form.strata)
        results = survival_results(of.cohort, of.units, of.definition, of.closed_on, shown)
        told = [result_told(result, days) for result in results]
        return tagged(request, {**_asked_told(of), "not_split": not_split, "results": told})


class FurtherView(FiguresView):
    """Any further view of the page Survival, by its name."""

    @read(
        TAG,
        "read_survival_view",
        "A further question on a cohort: competing events, mean time, adjusted, the lost, places ...",
        ViewSerializer,
        404,
        description=" ".join(f"`{code}`: {view.asks}" for code, view in VIEWS.items()),
        parameters=[
            OpenApiParameter("view", {"type": "string", "enum": [*VIEWS]}, OpenApiParameter.PATH),
            *filter_parameters(),
        ],
    )
    def get(self, request: Request, view: str) -> Response:
        if view not in VIEWS:
            raise Http404
        chosen = VIEWS[view]
        of = cohort_asked(request, self.person, chosen.form)
        try:
            answer = chosen.answer(of, "")
        except NothingShownError as refusal:
            not_shown(refusal)
        return tagged(request, {"code": view, **_asked_told(of), **_answer_told(chosen, answer)})


def _asked_told(of: Asked[Any]) -> dict[str, Any]:
    return {
        "cohort": {"filters": filters_of(of), "sentence": of.sentence},
        "definition": definition_told(of.definition),
        "closed_on": of.closed_on.isoformat(),
    }


def _answer_told(view: View, answer: Answer) -> dict[str, Any]:
    return {
        "asks": view.asks,
        "not_split": answer.not_split,
        "told": [_figure_told(figure) for figure in answer.figures],
        "columns": list(answer.columns),
        "rows": [dict(zip(answer.columns, row, strict=True)) for row in answer.rows],
    }


def _figure_told(figure: Figure) -> dict[str, Any]:
    facts = [{"label": label, "text": text} for label, text in figure.facts]
    return {"title": figure.title, "facts": facts, "cautions": list(figure.cautions)}


def _days(request: Request) -> tuple[int, ...]:
    """The days that the address names."""
    said = request.query_params.get(LANDMARKS, "") or ",".join(map(str, _USUAL))
    days = said.split(",")
    sound = all(day.isascii() and day.isdecimal() and len(day) < 6 and int(day) <= LAST_DAY for day in days)
    if not sound or len(days) > MOST_LANDMARKS:
        raise refused(LANDMARKS, said, WRONG_LANDMARKS)
    return tuple(map(int, days))
