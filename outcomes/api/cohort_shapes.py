"""Named cohorts and their versions as JSON, told to one reader as the pages tell them."""

from dataclasses import asdict
from typing import Any

from rest_framework import serializers

from outcomes.api.survival_shapes import DefinitionSerializer, definition_told
from outcomes.cohort_versions import flow_of, is_seen_by, since
from outcomes.flow import cohort_flow
from outcomes.models import CohortVersion, NamedCohort
from outcomes.naming import FILTERS, LONGEST_NAME
from outcomes.pages.cohort_page import Found
from outcomes.pages.named_lines import Line, Reader
from registry.api.serializing import Strict
from registry.models import User

FILTERS_HELP = f"By name, as the address of read_survival takes them: {', '.join(FILTERS)}."


class CohortSerializer(serializers.Serializer):
    """A cohort under a name, as its latest version has it."""

    uuid = serializers.UUIDField()
    name = serializers.CharField()
    is_own = serializers.BooleanField(help_text="Whether you made it: its maker alone changes it.")
    made_by = serializers.CharField()
    made_at = serializers.DateTimeField()
    shared_with = serializers.CharField(
        allow_null=True, help_text="Code of the unit; null: shared with none."
    )
    version = serializers.IntegerField(min_value=1, help_text="Number of the latest version.")
    filters = serializers.DictField(
        child=serializers.CharField(), allow_null=True, help_text="Null where you may not open it."
    )
    sentence = serializers.CharField(allow_blank=True)
    definition = DefinitionSerializer()
    note = serializers.CharField(
        allow_blank=True, help_text="Why it opens with another definition, or not at all; else empty."
    )


class NewVersionSerializer(Strict):
    """Filters, and the definition of failure under `failure`."""

    filters = serializers.DictField(child=serializers.CharField(max_length=60), help_text=FILTERS_HELP)


class NewCohortSerializer(NewVersionSerializer):
    """A cohort to be kept under a name."""

    name = serializers.CharField(max_length=LONGEST_NAME)
    shared_with = serializers.CharField(
        max_length=40, required=False, allow_null=True, help_text="Code of one of your units; null: none."
    )


class SharingSerializer(Strict):
    """With whom a cohort is shared."""

    shared_with = serializers.CharField(
        max_length=40, allow_null=True, help_text="Code of one of your units; null: none."
    )


class FlowStepSerializer(serializers.Serializer):
    """One rule of the flow."""

    code = serializers.CharField()
    label = serializers.CharField()
    left_out = serializers.IntegerField(min_value=0)
    remaining = serializers.IntegerField(min_value=0)


class SinceSerializer(serializers.Serializer):
    """What changed since the version was made, in the units counted then."""

    joined = serializers.IntegerField(min_value=0)
    left = serializers.IntegerField(min_value=0)


class VersionSerializer(serializers.Serializer):
    """One version of a cohort: what it asks for, whom it counted when made, and whom it counts today."""

    cohort = serializers.UUIDField()
    number = serializers.IntegerField(min_value=1)
    made_at = serializers.DateTimeField()
    filters = serializers.DictField(child=serializers.CharField())
    sentence = serializers.CharField()
    definition = DefinitionSerializer()
    note = serializers.CharField(allow_blank=True)
    record_version = serializers.IntegerField(
        allow_null=True,
        help_text="State of the record that was counted; null where you do not see the counts.",
    )
    not_counted = serializers.CharField(
        allow_blank=True, help_text="Why no counts are told to you, neither of then nor of today; else empty."
    )
    flow = FlowStepSerializer(
        many=True, help_text="As counted then; none where not counted, or not all in units of yours."
    )
    members = serializers.IntegerField(
        min_value=0,
        allow_null=True,
        help_text="Repairs that it held when it was made; null where `flow` is empty.",
    )
    since = SinceSerializer(allow_null=True)
    today = FlowStepSerializer(many=True, help_text="As counted today in your units.")


def cohort_told(named: NamedCohort, reader: Reader) -> dict[str, Any]:
    """A named cohort as CohortSerializer tells it."""
    line = Line.of(named, reader)
    definition, _ = reader.definition(named.definition)
    return {
        "uuid": str(named.uuid),
        "name": named.name,
        "is_own": named.made_by_id == reader.person.pk,
        "made_by": _name(named.made_by),
        "made_at": named.made_at.isoformat(),
        "shared_with": named.shared_with.code if named.shared_with else None,
        "version": line.number,
        "filters": line.query,
        "sentence": line.sentence,
        "definition": definition_told(definition),
        "note": line.note,
    }


def version_told(found: Found) -> dict[str, Any]:
    """A version as VersionSerializer tells it; its counts only where the page shows them."""
    version, reader, reason = found.version, found.reader, found.reason
    definition, note = reader.definition(version.definition)
    frozen = () if reason or not is_seen_by(version, reader.units) else flow_of(version)
    return {
        "cohort": str(found.named.uuid),
        "number": version.number,
        "made_at": version.made_at.isoformat(),
        "filters": found.query,
        "sentence": reader.sentence(found.cohort),
        "definition": definition_told(definition),
        "note": note,
        "record_version": version.record_version if frozen else None,
        "not_counted": reason,
        "flow": [asdict(step) for step in frozen],
        "members": frozen[-1].remaining if frozen else None,
        "since": _since(found, version) if frozen else None,
        "today": [asdict(step) for step in (() if reason else cohort_flow(found.cohort, reader.units))],
    }


def _since(found: Found, version: CohortVersion) -> dict[str, int]:
    return asdict(since(version, found.cohort, found.reader.units))


def _name(user: User) -> str:
    return user.shown_name
