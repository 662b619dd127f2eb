"""Reference values as JSON. Pure."""

import inspect
import re
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any, get_args

from django.db.models import Choices
from rest_framework import serializers

from outcomes.api.survival_shapes import SHARE, DefinitionSerializer, definition_told
from outcomes.estimators.change import Operator
from outcomes.failure import FailureDefinition
from outcomes.published import Measure, RangeKind
from outcomes.thresholds import NAMES, OperatorFrom, Read
from registry import vocabulary
from registry.rules.schedule import PlannedReview
from registry.scoring import Direction, Instrument
from registry.vocabulary import TimePoint


class CodeSerializer(serializers.Serializer):
    """One code: what the record stores, and what a screen shows."""

    code = serializers.CharField(help_text="As text; the record takes numbers of rim zones as numbers.")
    label = serializers.CharField()


class VocabularySerializer(serializers.Serializer):
    """One coded list."""

    name = serializers.CharField()
    source = serializers.CharField(
        allow_blank=True,
        help_text="The paper or standard that defines it, or what it is; empty: plain words.",
    )
    codes = CodeSerializer(many=True)


class ItemSerializer(serializers.Serializer):
    """One item by code and short label of our own; the wording is its licence holder's."""

    code = serializers.CharField()
    label = serializers.CharField()
    allowed = serializers.ListField(child=serializers.IntegerField())


class ScaleSerializer(serializers.Serializer):
    """A number worked out from items."""

    code = serializers.CharField()
    name = serializers.CharField()
    items = serializers.ListField(child=serializers.CharField())
    lowest = serializers.FloatField()
    highest = serializers.FloatField()
    direction = serializers.ChoiceField([(each.value, each.value) for each in Direction])


class InstrumentSerializer(serializers.Serializer):
    """A scored form."""

    code = serializers.CharField()
    name = serializers.CharField()
    version = serializers.CharField(help_text="Version of the rule that scores what is answered now.")
    versions = serializers.ListField(child=serializers.CharField())
    items = ItemSerializer(many=True)
    scales = ScaleSerializer(many=True)
    reference = serializers.CharField()
    licence = serializers.CharField()


class EventSerializer(serializers.Serializer):
    """A kind of event that counts as failing."""

    code = serializers.CharField()
    what = serializers.CharField()


class KnownDefinitionSerializer(DefinitionSerializer):
    """A definition of failure with the kinds of event that it counts."""

    events = EventSerializer(many=True)
    cautions = serializers.ListField(child=serializers.CharField())


class ThresholdSerializer(serializers.Serializer):
    """One published threshold of one scale, to be read on unrounded scores."""

    code = serializers.CharField()
    instrument = serializers.CharField()
    scale = serializers.CharField(allow_blank=True, help_text="Empty: a range over all of the instrument's.")
    kind = serializers.ChoiceField([(kind.value, name) for kind, name in NAMES.items()])
    value = serializers.FloatField(allow_null=True)
    lowest = serializers.FloatField(allow_null=True)
    highest = serializers.FloatField(allow_null=True)
    operator = serializers.ChoiceField([(sign, sign) for sign in get_args(Operator)])
    operator_from = serializers.ChoiceField([(each, each) for each in get_args(OperatorFrom)])
    used = serializers.BooleanField(help_text="Whether figures here are drawn and counted by it.")
    population = serializers.CharField()
    n = serializers.IntegerField(allow_null=True)
    time_point = serializers.CharField()
    method = serializers.CharField()
    source = serializers.CharField()
    read = serializers.ChoiceField(
        [(each, each) for each in get_args(Read)], help_text="How much of the source was read."
    )


class PublishedFigureSerializer(serializers.Serializer):
    """One published share, with what is needed to read it. Case mix differs between any two reports."""

    code = serializers.CharField()
    measure = serializers.ChoiceField([(each, each) for each in get_args(Measure)])
    what = serializers.CharField()
    share = serializers.FloatField(**SHARE)
    lower = serializers.FloatField(**SHARE)
    upper = serializers.FloatField(**SHARE)
    range_kind = serializers.ChoiceField([(each, each) for each in get_args(RangeKind)], allow_null=True)
    events = serializers.IntegerField(allow_null=True)
    n = serializers.IntegerField(allow_null=True)
    n_of = serializers.CharField(allow_null=True, help_text="What n counts.")
    population = serializers.CharField()
    definition = serializers.CharField()
    follow_up = serializers.CharField()
    from_years = serializers.FloatField(allow_null=True)
    to_years = serializers.FloatField(allow_null=True)
    published = serializers.IntegerField(help_text="Year.")
    citation = serializers.CharField()
    identifier = serializers.CharField(allow_null=True)
    read = serializers.CharField(help_text="How much of the source was read.")


class PlannedReviewSerializer(serializers.Serializer):
    """One planned review."""

    code = serializers.CharField(help_text="Of the list `time_point`.")
    label = serializers.CharField()
    due_day = serializers.IntegerField(help_text="Days after the operation.")
    window_days = serializers.IntegerField(help_text="Each way.")
    instruments = serializers.ListField(child=serializers.CharField())


@cache
def lists() -> Mapping[str, type[Choices]]:
    """Every coded list by its name, in the order of the vocabulary."""
    return dict(_lists())


def _lists() -> Iterator[tuple[str, type[Choices]]]:
    for name, known in vars(vocabulary).items():
        if inspect.isclass(known) and issubclass(known, Choices) and known.__module__ == vocabulary.__name__:
            yield re.sub(r"(?<!^)(?=[A-Z])", "_", name).lower(), known


def list_told(name: str) -> dict[str, Any]:
    """A coded list with its source, which is what its docstring says."""
    known = lists()[name]
    # Only its own words: a class without a docstring would show its base's.
    source = " ".join((vars(known).get("__doc__") or "").split())
    codes = [{"code": str(code), "label": str(label)} for code, label in known.choices]
    return {"name": name, "source": source, "codes": codes}


def instrument_told(instrument: Instrument) -> dict[str, Any]:
    """An instrument as InstrumentSerializer tells it."""
    return {
        "code": instrument.code,
        "name": instrument.name,
        "version": instrument.version,
        "versions": list(instrument.rules),
        "items": [
            {"code": item.code, "label": item.label, "allowed": list(item.allowed)}
            for item in instrument.items
        ],
        "scales": [
            {
                "code": scale.code,
                "name": scale.name,
                "items": list(scale.items),
                "lowest": scale.lowest,
                "highest": scale.highest,
                "direction": scale.direction.value,
            }
            for scale in instrument.scales
        ],
        "reference": instrument.reference,
        "licence": instrument.licence,
    }


def definition_known(definition: FailureDefinition) -> dict[str, Any]:
    """A definition as KnownDefinitionSerializer tells it."""
    events = [{"code": source.code, "what": source.what} for source in definition.sources]
    return {**definition_told(definition), "events": events, "cautions": list(definition.cautions)}


def plan_told(review: PlannedReview) -> dict[str, Any]:
    """A planned review as PlannedReviewSerializer tells it."""
    return {
        "code": review.code,
        "label": TimePoint(review.code).label,
        "due_day": review.due_day,
        "window_days": review.window_days,
        "instruments": list(review.instruments),
    }
