"""Two units that mirror each other, with one of everything an address can name, and everybody who may ask.

Put on record once for a whole module (see conftest.py); whoever asks has what they wrote taken back.
"""

import gzip
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from django.test import Client
from django.utils import timezone

from outcomes.models import Briefing, LedgerKind, OwnDefinition, ReleaseJob
from outcomes.models.release import JobState
from outcomes.naming import name_cohort
from outcomes.release import ledger, store
from registry.api import keys
from registry.intake import files
from registry.models import (
    AccessKey,
    BookedVisit,
    BrowserSession,
    Complication,
    Contact,
    EndOfFollowUp,
    GivenUpReview,
    GradePeriod,
    Identity,
    Imaging,
    Invitation,
    PatientReport,
    Reoperation,
    ScoreResponse,
    SecondLook,
    Surgeon,
    TearReading,
    Unit,
    User,
    Visit,
)
from registry.patient_link.making import make_link
from registry.patient_link.token import token_of
from registry.recording import record
from registry.signing_in import invitations
from registry.vocabulary import Role, Scope
from tests import factories
from tests.outcomes.release.asking import asked as asked_of

# Who asks. The stranger is a surgeon of the other unit, the outsider has an account and no role at all.
ROLES = (
    "nobody",
    "surgeon",
    "colleague",
    "clinician",
    "audit_lead",
    "coordinator",
    "administrator",
    "stranger",
    "outsider",
)
IN_UNIT = {
    "surgeon": "surgeon",
    "colleague": "surgeon",
    "clinician": "clinician",
    "audit_lead": "audit_lead",
    "coordinator": "coordinator",
    "administrator": "administrator",
}
DAY = date(2024, 9, 1)
SHEET = b"Hospital no.;Sex;Born;Side\nH 100;f;1990-05-17;left\n"


@dataclass
class Side:
    """One unit: its people, and what an address names there, by the name of the address's part."""

    unit: Unit
    people: dict[str, User]
    parts: dict[str, Any] = field(default_factory=dict)
    # Rows of the API by their slug.
    rows: dict[str, Any] = field(default_factory=dict)


class House:
    """Both units, and one browser and one program of everybody."""

    def __init__(self) -> None:
        self.north, self.south = a_side("northmere", "oak"), a_side("southmere", "ash")
        outsider = factories.a_person("outsider")
        self.people: dict[str, User] = {
            **self.north.people,
            "stranger": self.south.people["surgeon"],
            "outsider": outsider,
        }
        self.clients = {role: self._browser(role) for role in ROLES}
        for side, role in ((self.north, "surgeon"), (self.south, "stranger")):
            key = self.clients[role].session.session_key
            side.parts["session"] = BrowserSession.objects.get(session_key=key).uuid

    def _browser(self, role: str) -> Client:
        client = Client()
        if role != "nobody":
            client.force_login(self.people[role])
        return client

    def key(self, role: str, *scopes: Scope) -> Mapping[str, str]:
        """What a program of this role sends along; a key may be for more than its person may do."""
        if role == "nobody":
            return {}
        text = f"rim_of-{role}-{'-'.join(sorted(scopes))}"
        AccessKey.objects.create(
            user=self.people[role],
            label=role,
            digest=keys.digest(text),
            scopes=[scope.value for scope in scopes],
            expires_at=timezone.now() + timedelta(days=1),
        )
        return {"Authorization": f"Bearer {text}"}


def a_side(unit_code: str, surgeon_code: str) -> Side:
    """One unit with one of everything, most of it of its surgeon."""
    unit = factories.a_unit(unit_code)
    people = {name: factories.a_person(f"{name}-{unit_code}", (role, unit)) for name, role in IN_UNIT.items()}
    side = Side(unit, people)
    surgeon = factories.a_surgeon(unit, surgeon_code, people["surgeon"])
    colleague = factories.a_surgeon(unit, f"{surgeon_code}-2", people["colleague"])
    side.parts |= {"unit": unit.code, "surgeon": surgeon.code}
    _record(side, surgeon, colleague)
    _outcomes(side)
    return side


def _record(side: Side, surgeon: Surgeon, colleague: Surgeon) -> None:
    unit, by, administrator = side.unit, side.people["surgeon"], side.people["administrator"]
    tear = factories.a_repair(factories.an_operation(unit, surgeon)).tear
    knee = tear.procedure.knee
    # Of others, so that both who sign in may read them, and so that no figure is of one surgeon alone.
    others = [colleague, *(factories.a_surgeon(unit, f"{surgeon.code}-{number}") for number in (3, 4))]
    _, read, waits = (factories.a_repair(factories.an_operation(unit, other)).tear for other in others)
    reading = TearReading(
        tear=read, reader=surgeon, pattern="longitudinal", depth="complete", tissue="good", rim_zone=1,
        radial_location="posterior", vascular_zone="RR",
    )  # fmt: skip
    grade = GradePeriod(surgeon=surgeon, grade="consultant", since=date(2020, 1, 1))
    rows = dict(_events(knee))
    record(Identity.sealed(knee.patient, hospital_number=f"{unit.code} 1"), reading, grade, *rows.values())
    side.rows |= rows | {"patients": knee.patient, "knees": knee, "operations": tear.procedure, "tears": tear}
    side.parts |= {
        "knee": knee.uuid,
        "operation": tear.procedure.uuid,
        "tear": {"read_tear": waits.uuid, "withdraw_reading": read.uuid},
        "grade": grade.pk,
        "event": rows["contacts"].uuid,
        "entry": rows["contacts"].uuid,
        "report": rows["patient-reports"].uuid,
        "token": {
            "patient_link": token_of(make_link(knee, "3m", by, ("pain_nrs",)).uuid),
            "invited": invitations.invite(unit, [Role.CLINICIAN], "somebody", administrator),
        },
        "invitation": Invitation.objects.get(unit=unit).uuid,
        "person": side.people["clinician"].pk,
        "intake": files.begin(unit, by, "old notes.csv", SHEET).uuid,
        "key": keys.make(by, "of the surgeon", [Scope.READ_RECORD], 1)[0].uuid,
    }


def _events(knee: Any) -> Iterator[tuple[str, Any]]:
    """One row of every kind of event, by its slug in the API."""
    yield "visits", Visit(knee=knee, seen_on=DAY)
    yield "second-looks", SecondLook(knee=knee, looked_on=DAY, reason="symptoms")
    yield "imaging", Imaging(knee=knee, imaged_on=DAY, modality="mri")
    yield "reoperations", Reoperation(knee=knee, operated_on=DAY)
    noticed = {"noticed_on": DAY, "kind": "stiffness", "severity": "I", "found_by": "symptoms"}
    yield "complications", Complication(knee=knee, **noticed)
    yield "contacts", Contact(knee=knee, contacted_on=DAY, source="phone")
    yield "ends-of-follow-up", EndOfFollowUp(patient=knee.patient, ended_on=DAY, reason="moved")
    yield "scores", ScoreResponse(knee=knee, answered_on=DAY, instrument="sane", items={"percent": 85})
    told = {"answered_on": DAY, "operated_again": "unsure"}
    yield "patient-reports", PatientReport.sealed({"where": "another town"}, knee=knee, **told)
    yield "booked-visits", BookedVisit(knee=knee, booked_for=DAY)
    yield "given-up-reviews", GivenUpReview(knee=knee, given_up_on=DAY, time_point="6m", reason="not_reached")


def _outcomes(side: Side) -> None:
    """A cohort, a definition, a briefing, a release with its package and letter, and one in the making."""
    unit, people = side.unit, side.people
    cohort = name_cohort(people["surgeon"], f"Medial {unit.code}", {"meniscus": "medial"}, unit)
    own = OwnDefinition.objects.create(
        unit=unit, name=f"Seen open {unit.code}", sources=["look"], made_by=people["audit_lead"]
    )
    briefing = Briefing.objects.create(
        unit=unit,
        made_by=people["audit_lead"],
        definition="reoperation",
        closed_on=date(2026, 1, 1),
        numbers={"asked": {"record_version": 0}},
        html_gzipped=gzip.compress(b"<!doctype html>"),
        sha256="0" * 64,
    )
    asked, by = asked_of(unit).as_json(), people["coordinator"]
    said = {"asked": asked, "sha256": "0" * 64, "rows": {}, "columns": {}, "units": [unit.code], "kept": True}
    release = ledger.write(LedgerKind.COUNTS, by, said)
    with zipfile.ZipFile(store.folder() / f"{release.uuid}.zip", "w") as package:
        package.writestr("disclosure-report.html", "<!doctype html>")
        package.writestr("manifest.json", "{}")
    words = {"project": "p", "recipient": "r", "pseudonyms": ["x"], "text": "t", "units": [unit.code]}
    letter = ledger.write(LedgerKind.LETTER, by, words, of=release)
    job = ReleaseJob.objects.create(asked_by=by, asked=asked, state=JobState.CANCELLED)
    side.parts |= {
        "cohort": cohort.uuid,
        "pk": own.pk,
        "briefing": briefing.uuid,
        "release": release.uuid,
        "letter": letter.uuid,
        "job": job.uuid,
    }
    side.rows |= {"cohorts": cohort, "releases": release}
