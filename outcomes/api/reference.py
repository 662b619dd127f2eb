"""Reference values: coded lists, instruments, definitions, thresholds, published figures, the plan.

All but a unit's own definitions stand in the software itself and tell nothing of any site or person, so they
need no key, as the document needs none.
"""

from dataclasses import asdict
from typing import ClassVar

from django.http import Http404
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from outcomes.api.reference_shapes import (
    InstrumentSerializer,
    KnownDefinitionSerializer,
    PlannedReviewSerializer,
    PublishedFigureSerializer,
    ThresholdSerializer,
    VocabularySerializer,
    definition_known,
    instrument_told,
    list_told,
    lists,
    plan_told,
)
from outcomes.api.telling import read
from outcomes.definitions import definitions_for
from outcomes.published import published
from outcomes.thresholds import thresholds
from registry.access import Action, require
from registry.api.etags import tagged
from registry.api.view import ApiView
from registry.rules.schedule import DEFAULT_PLAN
from registry.scoring import INSTRUMENTS
from registry.vocabulary import Scope

TAG = "Reference values"


def _all_of(items: type[serializers.Serializer], name: str) -> type[serializers.Serializer]:
    """The schema of a list that comes whole."""
    return type(
        f"{name}Serializer", (serializers.Serializer,), {"items": items(many=True), "__doc__": "All of them."}
    )


class ReferenceView(ApiView):
    """Base of the views of reference values."""

    read_scope: ClassVar[Scope | None] = None
    write_scope = None


class VocabularyList(ReferenceView):
    """Every coded list."""

    @read(
        TAG,
        "list_vocabulary",
        "Every coded list of the record",
        _all_of(VocabularySerializer, "Vocabularies"),
    )
    def get(self, request: Request) -> Response:
        return tagged(request, {"items": [list_told(name) for name in lists()]})


class VocabularyOne(ReferenceView):
    """One coded list."""

    @read(TAG, "read_vocabulary", "One coded list", VocabularySerializer, 404)
    def get(self, request: Request, name: str) -> Response:
        if name not in lists():
            raise Http404
        return tagged(request, list_told(name))


class InstrumentList(ReferenceView):
    """Every instrument."""

    @read(TAG, "list_instrument", "Every scored form", _all_of(InstrumentSerializer, "Instruments"))
    def get(self, request: Request) -> Response:
        return tagged(request, {"items": [instrument_told(each) for each in INSTRUMENTS.values()]})


class InstrumentOne(ReferenceView):
    """One instrument."""

    @read(
        TAG,
        "read_instrument",
        "One scored form: its items by code, their allowed values, its scales",
        InstrumentSerializer,
        404,
    )
    def get(self, request: Request, code: str) -> Response:
        if code not in INSTRUMENTS:
            raise Http404
        return tagged(request, instrument_told(INSTRUMENTS[code]))


class ThresholdList(ReferenceView):
    """Published thresholds."""

    @read(
        TAG,
        "list_threshold",
        "Published thresholds of scores: change that matters, acceptable state, error in one person",
        _all_of(ThresholdSerializer, "Thresholds"),
    )
    def get(self, request: Request) -> Response:
        return tagged(request, {"items": [asdict(row) for row in thresholds()]})


class PublishedFigureList(ReferenceView):
    """Published figures."""

    @read(
        TAG,
        "list_published_figure",
        "Published figures, each with its population, definition, years and citation",
        _all_of(PublishedFigureSerializer, "PublishedFigures"),
    )
    def get(self, request: Request) -> Response:
        return tagged(request, {"items": [asdict(figure) for figure in published()]})


class Plan(ReferenceView):
    """The default plan of follow-up."""

    @read(
        TAG,
        "read_plan",
        "The plan of reviews of a unit that has none of its own",
        _all_of(PlannedReviewSerializer, "Plan"),
    )
    def get(self, request: Request) -> Response:
        return tagged(request, {"items": [plan_told(review) for review in DEFAULT_PLAN]})


class DefinitionList(ReferenceView):
    """Definitions of failure; a unit's own are told to who sees its figures."""

    read_scope = Scope.READ_FIGURES

    @read(
        TAG,
        "list_definition",
        "Definitions of failure in use: those of all units, and your units' own",
        _all_of(KnownDefinitionSerializer, "Definitions"),
    )
    def get(self, request: Request) -> Response:
        known = definitions_for(require(self.person, Action.SEE_FIGURES))
        return tagged(request, {"items": [definition_known(each) for each in known.values()]})
