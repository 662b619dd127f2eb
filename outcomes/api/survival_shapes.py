"""A survival result as JSON, at full precision; a group of few is told by counts alone, as on the page."""

from collections.abc import Iterator, Sequence
from typing import Any

from rest_framework import serializers

from outcomes.estimators.survival import LANDMARK_DAYS, Interval
from outcomes.failure import FailureDefinition
from outcomes.results import FEWEST_SHOWN, Group, SurvivalResult

SHARE: dict[str, Any] = {"min_value": 0, "max_value": 1, "allow_null": True}


class FiltersSerializer(serializers.Serializer):
    """Which repairs: the filters that differ from the default, and the same in words."""

    filters = serializers.DictField(child=serializers.CharField())
    sentence = serializers.CharField()


class DefinitionSerializer(serializers.Serializer):
    """A definition of failure."""

    code = serializers.CharField()
    name = serializers.CharField()
    sentence = serializers.CharField(help_text="What counts as failing, whole.")


class IntervalSerializer(serializers.Serializer):
    """An estimate with its 95 % limits; null where one is not reached."""

    estimate = serializers.FloatField(allow_null=True)
    lower = serializers.FloatField(allow_null=True)
    upper = serializers.FloatField(allow_null=True)


class LandmarkSerializer(serializers.Serializer):
    """The curve read on one day; all null past its end."""

    day = serializers.IntegerField(min_value=0)
    at_risk = serializers.IntegerField(min_value=0)
    survival = serializers.FloatField(**SHARE)
    lower = serializers.FloatField(**SHARE)
    upper = serializers.FloatField(**SHARE)


class StepSerializer(serializers.Serializer):
    """One time of the curve, of failures or of censorings."""

    day = serializers.IntegerField(min_value=0, help_text="Days after the operation.")
    at_risk = serializers.IntegerField(min_value=0)
    failures = serializers.IntegerField(min_value=0)
    censored = serializers.IntegerField(min_value=0)
    survival = serializers.FloatField(**SHARE)
    std_error = serializers.FloatField(allow_null=True, help_text="Of the survival itself.")
    lower = serializers.FloatField(**SHARE)
    upper = serializers.FloatField(**SHARE)


class GroupSerializer(serializers.Serializer):
    """One level of the split."""

    code = serializers.CharField()
    label = serializers.CharField()
    n = serializers.IntegerField(min_value=0, help_text="Repairs.")
    events = serializers.IntegerField(min_value=0, help_text="Failures.")
    is_shown = serializers.BooleanField(
        help_text=f"False of fewer than {FEWEST_SHOWN} repairs: then counts alone are told."
    )
    ended_otherwise = serializers.IntegerField(
        min_value=0, allow_null=True, help_text="Ended by death, knee replacement or another tear."
    )
    person_days = serializers.FloatField(allow_null=True)
    median_days = IntervalSerializer(allow_null=True, help_text="When half have failed.")
    follow_up_days = IntervalSerializer(
        allow_null=True, help_text="Median follow-up, by the reverse Kaplan-Meier estimate."
    )
    completeness = serializers.FloatField(
        **SHARE, help_text="Share of the time possible that was followed, by Clark's measure."
    )
    landmarks = LandmarkSerializer(many=True)
    steps = StepSerializer(many=True)
    method = serializers.CharField()
    reference = serializers.CharField()


class TestSerializer(serializers.Serializer):
    """A test: null where the data cannot tell."""

    statistic = serializers.FloatField(allow_null=True, help_text="Chi-square.")
    df = serializers.IntegerField()
    p = serializers.FloatField(**SHARE)


class TrendSerializer(serializers.Serializer):
    """The log-rank test for trend over ordered levels."""

    z = serializers.FloatField(help_text="Above 0 where failure rises with the level.")
    p = serializers.FloatField(min_value=0, max_value=1)
    method = serializers.CharField()
    reference = serializers.CharField()


class PairSerializer(serializers.Serializer):
    """The log-rank test of two levels."""

    a = serializers.CharField()
    b = serializers.CharField()
    n = serializers.IntegerField()
    events = serializers.IntegerField()
    statistic = serializers.FloatField(allow_null=True)
    p = serializers.FloatField(**SHARE)
    p_holm = serializers.FloatField(**SHARE, help_text="After Holm.")


class ResultSerializer(serializers.Serializer):
    """Survival by one split, with everything needed to judge it."""

    title = serializers.CharField()
    stratum_code = serializers.CharField()
    stratum_title = serializers.CharField()
    n = serializers.IntegerField(min_value=0, help_text="Repairs.")
    events = serializers.IntegerField(min_value=0, help_text="Failures.")
    entered_late = serializers.IntegerField(
        min_value=0, help_text="Repairs entered later from old notes: at risk from the day of entry alone."
    )
    left_out = serializers.IntegerField(
        min_value=0, help_text="Repairs whose end was known when they were entered later."
    )
    overall = GroupSerializer()
    groups = GroupSerializer(many=True)
    comparison = TestSerializer(allow_null=True, help_text="Log-rank test over the known levels.")
    clustered_test = TestSerializer(allow_null=True, help_text="The same with the patient as cluster.")
    trend = TrendSerializer(allow_null=True)
    pairs = PairSerializer(many=True)
    methods = serializers.ListField(child=serializers.CharField())
    references = serializers.ListField(child=serializers.CharField())
    notes = serializers.ListField(child=serializers.CharField())
    cautions = serializers.ListField(
        child=serializers.CharField(), help_text="Print them beside every number that you show."
    )


class SurvivalSerializer(serializers.Serializer):
    """How long the repairs of a cohort last."""

    cohort = FiltersSerializer()
    definition = DefinitionSerializer()
    closed_on = serializers.DateField(help_text="Followed to this day.")
    not_split = serializers.CharField(
        allow_blank=True, help_text="By what the cohort may not be split for you, and why; else empty."
    )
    results = ResultSerializer(many=True, help_text="One for each split; none where no repair is counted.")


def definition_told(definition: FailureDefinition) -> dict[str, str]:
    """A definition in words."""
    return {"code": definition.code, "name": definition.name, "sentence": definition.sentence}


def result_told(
    result: SurvivalResult, days: Sequence[int] = tuple(LANDMARK_DAYS.values())
) -> dict[str, Any]:
    """A result as ResultSerializer tells it, read on these days."""
    overall = result.overall
    return {
        "title": result.title,
        "stratum_code": result.stratum_code,
        "stratum_title": result.stratum_title,
        "n": overall.curve.n,
        "events": overall.curve.events,
        "entered_late": result.entered_late,
        "left_out": result.left_out,
        "overall": group_told(overall, days),
        "groups": [group_told(group, days) for group in result.groups],
        "comparison": _test(result.comparison),
        "clustered_test": _test(result.clustered_test),
        "trend": result.trend and _of(result.trend, "z", "p", "method", "reference"),
        "pairs": [_of(pair, "a", "b", "n", "events", "statistic", "p", "p_holm") for pair in result.pairs],
        "methods": list(result.methods),
        "references": list(result.references),
        "notes": list(result.notes),
        "cautions": list(result.cautions),
    }


def group_told(group: Group, days: Sequence[int]) -> dict[str, Any]:
    """A group as GroupSerializer tells it; of fewer than FEWEST_SHOWN repairs their number alone."""
    curve, shown = group.curve, group.is_shown
    return {
        **_of(group, "code", "label", "is_shown"),
        **_of(curve, "n", "events", "method", "reference"),
        "ended_otherwise": group.ended_otherwise if shown else None,
        "person_days": float(curve.person_time) if shown else None,
        "median_days": _interval(curve.median) if shown else None,
        "follow_up_days": _interval(group.follow_up) if shown else None,
        "completeness": group.completeness if shown else None,
        "landmarks": list(_landmarks(group, days)) if shown else [],
        "steps": list(_steps(group)) if shown else [],
    }


def _landmarks(group: Group, days: Sequence[int]) -> Iterator[dict[str, Any]]:
    for day in days:
        yield {**_of(group.curve.at(day), "at_risk", "survival", "lower", "upper"), "day": day}


def _steps(group: Group) -> Iterator[dict[str, Any]]:
    curve = group.curve
    columns = {
        "day": [round(day) for day in curve.time],
        "at_risk": curve.at_risk,
        "failures": curve.events_at,
        "censored": curve.censored_at,
        "survival": curve.survival,
        "std_error": curve.std_error,
        "lower": curve.lower,
        "upper": curve.upper,
    }
    for step in zip(*columns.values(), strict=True):
        yield dict(zip(columns, step, strict=True))


def _test(test: Any) -> dict[str, Any] | None:
    return test and _of(test, "statistic", "df", "p")


def _interval(interval: Interval) -> dict[str, Any]:
    return _of(interval, "estimate", "lower", "upper")


def _of(told: Any, *names: str) -> dict[str, Any]:
    return {name: getattr(told, name) for name in names}
