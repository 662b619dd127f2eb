"""Releases as JSON: what their pages tell of the ledger and no more."""

from typing import Any

from rest_framework import serializers

from outcomes.models import LedgerEntry, LedgerKind
from outcomes.pages.releases.ledger_page import MISSING, NOT_KEPT, RECALLED, RELEASED, Line
from registry.models import User

STATES = {
    RELEASED: "released",
    RECALLED: "recalled",
    MISSING: "package_missing",
    NOT_KEPT: "package_not_kept",
}
ASKED = ("project", "purpose", "approval", "recipient", "steward")
COUNTS = ("in_cohort", "permitted", "suppressed", "released")


class ReleaseSerializer(serializers.Serializer):
    """One release, as the ledger lists it."""

    uuid = serializers.UUIDField()
    number = serializers.IntegerField(min_value=1, help_text="In the ledger.")
    kind = serializers.ChoiceField([(kind.value, kind.label) for kind in LedgerKind])
    written_at = serializers.DateTimeField()
    written_by = serializers.CharField()
    project = serializers.CharField(allow_blank=True)
    purpose = serializers.CharField(allow_blank=True)
    recipient = serializers.CharField(allow_blank=True)
    rows_released = serializers.IntegerField(allow_null=True)
    patients_alike = serializers.IntegerField(
        allow_null=True, help_text="At least so many patients are alike in what they tell."
    )
    sha256 = serializers.CharField(help_text="Of the package.")
    state = serializers.ChoiceField(
        [(code, words) for words, code in STATES.items()],
        help_text="A recalled package is handed out no longer.",
    )
    letters = serializers.IntegerField(min_value=0, help_text="Letters on withdrawals written since.")


class RowsSerializer(serializers.Serializer):
    """How many repairs came through each step."""

    in_cohort = serializers.IntegerField(allow_null=True)
    permitted = serializers.IntegerField(allow_null=True)
    suppressed = serializers.IntegerField(allow_null=True)
    released = serializers.IntegerField(allow_null=True)


class RecallSerializer(serializers.Serializer):
    """Why a release was recalled."""

    written_at = serializers.DateTimeField()
    written_by = serializers.CharField()
    reason = serializers.CharField()


class EntrySerializer(ReleaseSerializer):
    """One release, whole."""

    approval = serializers.CharField(allow_blank=True)
    steward = serializers.CharField(allow_blank=True)
    cohort = serializers.CharField(allow_blank=True, help_text="The cohort in words, as they left the house.")
    definition = serializers.CharField(allow_blank=True, help_text="Code of the definition of failure.")
    rows = RowsSerializer()
    size_bytes = serializers.IntegerField(allow_null=True)
    previous_hash = serializers.CharField(help_text="Of the entry before, in the chain of the ledger.")
    own_hash = serializers.CharField()
    recall = RecallSerializer(allow_null=True)


def release_told(line: Line) -> dict[str, Any]:
    """A release as ReleaseSerializer tells it."""
    entry = line.entry
    return {
        "uuid": str(entry.uuid),
        "number": entry.number,
        "kind": entry.kind,
        **_written(entry),
        "project": line.project,
        "purpose": line.purpose,
        "recipient": line.recipient,
        "rows_released": line.released,
        "patients_alike": line.k,
        "sha256": line.sha256,
        "state": STATES[line.state],
        "letters": line.letters,
    }


def entry_told(line: Line) -> dict[str, Any]:
    """A release as EntrySerializer tells it."""
    entry, said = line.entry, line.entry.said
    asked, cohort = said.get("asked", said), said.get("cohort", "")
    rows = said.get("rows", {})
    return {
        **release_told(line),
        **{name: asked.get(name, "") for name in ASKED},
        "cohort": cohort["sentence"] if isinstance(cohort, dict) else cohort,
        "definition": asked.get("definition", ""),
        "rows": {name: rows.get(name) for name in COUNTS},
        "size_bytes": said.get("size"),
        "previous_hash": entry.previous_hash,
        "own_hash": entry.own_hash,
        "recall": _recall(entry),
    }


def _recall(entry: LedgerEntry) -> dict[str, str] | None:
    recall = entry.later.filter(kind=LedgerKind.RECALL).select_related("written_by").first()
    return {**_written(recall), "reason": recall.said["reason"]} if recall else None


def _written(entry: LedgerEntry) -> dict[str, str]:
    by: User = entry.written_by
    return {"written_at": entry.written_at.isoformat(), "written_by": by.shown_name}
