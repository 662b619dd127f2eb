"""Two units with a record each, made through the API from the document's examples; and who asks for it."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from django.utils import timezone

from outcomes.models import CohortVersion, LedgerKind, NamedCohort
from outcomes.naming import name_cohort
from outcomes.release import ledger
from registry.api import examples, keys
from registry.models import AccessKey, Creation, DataVersion, Unit, User
from registry.vocabulary import Scope
from tests import factories
from tests.conftest import Cast
from tests.registry.api.asking import asker

ROLES = ("surgeon", "clinician", "audit_lead", "coordinator", "administrator", "stranger", "nobody")
# The document's examples, in an order in which each finds what it is about.
EVENTS = {
    "second-looks": examples.SECOND_LOOK,
    "imaging": examples.IMAGING,
    "visits": examples.VISIT,
    "scores": examples.SCORE,
    "complications": examples.COMPLICATION,
    "contacts": examples.CONTACT,
    "reoperations": examples.REOPERATION,
}
NAMES_A_ROW = ("uuid", "knee", "patient", "tear", "cohort")


@dataclass
class Side:
    """What is of one unit: keys of its rows by kind, and words that nobody else may read."""

    unit: Unit
    by: User
    rows: dict[str, list[str]] = field(default_factory=dict)
    words: list[str] = field(default_factory=list)

    @property
    def canaries(self) -> list[str]:
        return [*self.words, *(key for keys_ in self.rows.values() for key in keys_)]

    def note(self, kind: str, key: str) -> str:
        self.rows.setdefault(kind, []).append(key)
        return key


def two_units(cast: Cast) -> tuple[Side, Side]:
    """The record of the cast's unit, and that of the stranger's, each with everything the API knows."""
    factories.a_surgeon(cast.other_unit, "ash", cast.stranger)
    ours = filled(Side(cast.unit, cast.surgeon), "oak", cast.coordinator)
    return ours, filled(Side(cast.other_unit, cast.stranger), "ash", cast.stranger)


def filled(side: Side, surgeon: str, releases: User) -> Side:
    """Patient, operation, every event, a cohort and a release of one unit."""
    program, word = asker(side.by), f"canary {side.unit.code} {surgeon}"
    number = f"CANARY {side.unit.code.upper()}"

    def created(at: str, body: Mapping[str, Any]) -> Any:
        answer = program.post(f"/{at}/", body)
        assert answer.status_code == 201, f"{at}: {answer.content!r}"
        told = answer.json()
        side.note(at, told["uuid"])
        return told

    patient = {**examples.PATIENT, "unit": side.unit.code, "hospital_number": number, "family_name": word}
    created("patients", patient)
    operation = {**examples.OPERATION, "patient": side.rows["patients"][0], "lead_surgeon": surgeon}
    told = created("operations", operation)
    side.note("knees", told["knee"])
    side.note("tears", told["tears"][0]["uuid"])
    for at, example in EVENTS.items():
        created(at, placed(example, side))
    named = name_cohort(side.by, word, {"meniscus": "medial"}, side.unit)
    side.note("cohorts", str(named.uuid))
    released = {
        "project": word,
        "purpose": word,
        "units": [side.unit.code],
        "sha256": "0" * 64,
        "kept": False,
    }
    side.note("releases", str(ledger.write(LedgerKind.ROWS, releases, {"note": word, **released}).uuid))
    side.words += [word, number]
    return side


def placed(body: Any, side: Side) -> Any:
    """An example about the rows of one unit."""
    return {
        name: [placed(each, side) for each in value]
        if isinstance(value, list) and value and isinstance(value[0], dict)
        else side.rows[f"{name}s"][0]
        if name in ("knee", "patient", "tear")
        else value
        for name, value in body.items()
    }


def headers_of(cast: Cast) -> dict[str, dict[str, str]]:
    """What each role sends along. Every key is for everything, so that the role alone is left to refuse."""
    told: dict[str, dict[str, str]] = {"nobody": {}}
    for role in ROLES:
        if role != "nobody":
            text = f"rim_of-{role}"
            AccessKey.objects.create(
                user=getattr(cast, role),
                label=role,
                digest=keys.digest(text),
                scopes=list(Scope),
                expires_at=timezone.now() + timedelta(days=1),
            )
            told[role] = {"Authorization": f"Bearer {text}"}
    return told


def state() -> str:
    """What is on record: how many writes there were, and every cohort and key as it stands."""
    writes = list(DataVersion.objects.order_by("pk").values_list("writes", flat=True))
    cohorts = list(NamedCohort.objects.order_by("pk").values_list("pk", "name", "shared_with"))
    versions = CohortVersion.objects.count()
    return json.dumps([writes, cohorts, versions, Creation.objects.count()])
