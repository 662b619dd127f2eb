"""A knee told in order: every recorded fact as a moment on one time line, from rows already fetched."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date
from itertools import chain
from typing import Any

from django.db.models import Prefetch
from django.utils.formats import date_format

from registry.models import (
    Complication,
    Contact,
    EndOfFollowUp,
    Imaging,
    IndexProcedure,
    Knee,
    Reoperation,
    ScoreResponse,
    SecondLook,
    Tear,
    Visit,
)
from registry.models.procedures import LIGAMENTS
from registry.pages.wording import Facts, facts, tear_facts, tear_name
from registry.rules.healing import CLINICAL_HEALING_FROM_DAYS
from registry.scoring import INSTRUMENTS
from registry.vocabulary import (
    Acuity,
    DatePrecision,
    HealingClass,
    LigamentState,
    LigamentSurgery,
    OtherSurgery,
    PosteromedialLook,
    Staging,
    TimePoint,
)

# What the story reads, for prefetch_related_objects: a fixed number of queries however long it is.
READS: tuple[Any, ...] = (
    Prefetch(
        "procedures",
        IndexProcedure.objects.select_related(
            "unit", "lead_surgeon", "first_assistant", "repaired_by"
        ).order_by("operated_on", "pk"),
    ),
    Prefetch("procedures__tears", Tear.objects.select_related("repair").order_by("pk")),
    "visits",
    "imaging__findings",
    "looks__findings",
    "reoperations__on_tears",
    "complications",
    "contacts",
    "scores",
)

LOCAL_PROTOCOL = "For audit: local protocol and the operating surgeon decide."

Names = dict[int, str]


@dataclass(frozen=True, slots=True)
class Part:
    """Facts under a heading of their own, such as one tear."""

    heading: str
    facts: Facts


@dataclass(frozen=True, slots=True)
class Moment:
    """One entry of the time line. `mark` is its style class; of one day the lower rank goes first."""

    on: date
    title: str
    facts: Facts = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)
    note: str = ""
    mark: str = ""
    rank: int = 3
    precision: DatePrecision = DatePrecision.DAY

    @property
    def iso(self) -> str:
        """The date as far as it is known, empty when it is not."""
        return {DatePrecision.DAY: f"{self.on:%Y-%m-%d}", DatePrecision.MONTH: f"{self.on:%Y-%m}"}.get(
            self.precision, ""
        )

    @property
    def when(self) -> str:
        if self.precision is DatePrecision.UNKNOWN:
            return "Date unknown"
        return date_format(self.on, "F Y" if self.precision is DatePrecision.MONTH else "DATE_FORMAT")


def story(knee: Knee, end: EndOfFollowUp | None, own_units: set[int]) -> list[Moment]:
    """The moments of a knee fetched with READS, in order. Surgeons of the reader's own units go by name."""
    procedures = list(knee.procedures.all())
    names = _names(procedures)
    told: Iterable[Iterable[Moment]] = (
        (_injury(procedure) for procedure in procedures),
        (_operation(procedure, names, own_units) for procedure in procedures),
        _planned(procedures, knee),
        (_look(look, names) for look in knee.looks.all()),
        (_imaging(imaging, names) for imaging in knee.imaging.all()),
        (_visit(visit, procedures) for visit in knee.visits.all()),
        (_score(score) for score in knee.scores.all()),
        (_reoperation(again, names) for again in knee.reoperations.all()),
        (_complication(complication) for complication in knee.complications.all()),
        (_contact(contact) for contact in knee.contacts.all()),
        _permission(knee),
        _end(knee, end),
    )
    return sorted(chain.from_iterable(told), key=lambda moment: (moment.on, moment.rank))


def _names(procedures: list[IndexProcedure]) -> Names:
    tears = chain.from_iterable(procedure.tears.all() for procedure in procedures)
    return {tear.pk: tear_name(number, tear) for number, tear in enumerate(tears, start=1)}


def _injury(procedure: IndexProcedure) -> Moment:
    return Moment(
        on=procedure.injured_on or procedure.operated_on,
        title="Injury",
        facts=facts(procedure, "injury_cause", "preinjury_tegner"),
        rank=0,
        precision=DatePrecision(procedure.injury_date_precision),
    )


def _operation(procedure: IndexProcedure, names: Names, own_units: set[int]) -> Moment:
    return Moment(
        on=procedure.operated_on,
        title="Operation",
        facts=[
            *_derived(procedure),
            *_team(procedure, by_name=procedure.unit_id in own_units),
            *_ligaments(procedure),
            *facts(procedure, "bmi", "smoking", "asa", "anaesthetic", "tourniquet_min", "hka_deg"),
            *facts(procedure, "cartilage_medial", "cartilage_lateral", "cartilage_patellofemoral"),
        ],
        parts=[_tear(tear, names) for tear in procedure.tears.all()],
        note=LOCAL_PROTOCOL,
        mark="is-operation",
        rank=1,
    )


def _derived(procedure: IndexProcedure) -> Facts:
    days = procedure.days_from_injury
    acuity = Acuity(procedure.acuity).label
    return [
        ("Acuity", acuity if days is None else f"{acuity}, {days} days from injury"),
        ("Age at operation", f"{procedure.age_at_operation} years"),
        ("Indications", str(procedure.indication_verdict)),
        ("Ligament surgery", LigamentSurgery(procedure.ligament_surgery).label),
        ("Posteromedial look", _posteromedial_look(procedure)),
        ("Entered", "Later, from notes" if procedure.entered_late else "As it happened"),
    ]


def _posteromedial_look(procedure: IndexProcedure) -> str:
    if procedure.posteromedial_look:
        return str(PosteromedialLook(procedure.posteromedial_look).label)
    return "Not recorded"


def _team(procedure: IndexProcedure, *, by_name: bool) -> Facts:
    people = {
        "Lead surgeon": procedure.lead_surgeon,
        "First assistant": procedure.first_assistant,
        "Repaired by": procedure.repaired_by,
    }
    team = [(role, who.name if by_name else who.code) for role, who in people.items() if who]
    return [("Unit", procedure.unit.name), *team, *facts(procedure, "supervision")]


def _ligaments(procedure: IndexProcedure) -> Facts:
    torn = [name for name in LIGAMENTS if getattr(procedure, name) != LigamentState.INTACT]
    return [*facts(procedure, *torn), *facts(procedure, "staging")]


def _tear(tear: Tear, names: Names) -> Part:
    returned = [("Return of", names[tear.revises_id])] if tear.revises_id in names else []
    return Part(names[tear.pk], [*returned, *tear_facts(tear)])


def _planned(procedures: list[IndexProcedure], knee: Knee) -> Iterator[Moment]:
    """Plans not carried out; ligament_operation_done() of Today says the same to the database."""
    for procedure in procedures:
        planned_on = procedure.ligament_planned_on
        others = [each for each in procedures if each != procedure]
        done_on = max(_ligament_work(knee, others), default=date.min)
        if planned_on and procedure.staging == Staging.REPAIR_FIRST and done_on < procedure.operated_on:
            yield Moment(on=planned_on, title="Ligament operation planned", mark="is-planned")


def _ligament_work(knee: Knee, procedures: list[IndexProcedure]) -> Iterator[date]:
    """Days on which a staged knee was looked at again or a ligament treated."""
    yield from (look.looked_on for look in knee.looks.all())
    yield from (
        again.operated_on for again in knee.reoperations.all() if again.other_surgery == OtherSurgery.LIGAMENT
    )
    for procedure in procedures:
        if LigamentState.TREATED_HERE in [getattr(procedure, name) for name in LIGAMENTS]:
            yield procedure.operated_on


def _look(look: SecondLook, names: Names) -> Moment:
    def part(finding: Any) -> Part:
        known = (
            HealingClass(finding.healing_class).label
            if finding.healing_class
            else "Not classed: share healed not recorded"
        )
        seen = ("healed_thickness_percent", "healed_length_percent", "stable_on_probing", "sutures_covered")
        return Part(names[finding.tear_id], [("Class", known), *facts(finding, *seen, "vessels_seen")])

    parts = [part(finding) for finding in look.findings.all()]
    return Moment(look.looked_on, "Second look", facts(look, "reason"), parts, mark="is-look", rank=2)


def _imaging(imaging: Imaging, names: Names) -> Moment:
    seen = ("healed", "signal_to_surface", "fluid_in_repair", "extrusion_mm")
    parts = [Part(names[finding.tear_id], facts(finding, *seen)) for finding in imaging.findings.all()]
    return Moment(imaging.imaged_on, imaging.get_modality_display(), parts=parts)


def _visit(visit: Visit, procedures: list[IndexProcedure]) -> Moment:
    planned = visit.time_point != TimePoint.UNPLANNED
    signs = ("effusion", "joint_line_tenderness", "mcmurray")
    others = ("flexion_deg", "extension_deg", "lachman", "pivot", "sport_return", "employed_as_before")
    return Moment(
        on=visit.seen_on,
        title=f"Visit, {visit.get_time_point_display()}" if planned else "Visit, unplanned",
        facts=[("Clinical healing", _clinical_healing(visit, procedures)), *facts(visit, *signs, *others)],
    )


def _clinical_healing(visit: Visit, procedures: list[IndexProcedure]) -> str:
    operated_on = max(known.operated_on for known in procedures if known.operated_on <= visit.seen_on)
    if (visit.seen_on - operated_on).days < CLINICAL_HEALING_FROM_DAYS:
        return f"Read from {CLINICAL_HEALING_FROM_DAYS} days after operation on"
    words = {True: "Healed", False: "Not healed", None: "Not assessable: a sign is not recorded"}
    return words[visit.clinically_healed]


def _score(score: ScoreResponse) -> Moment:
    instrument = INSTRUMENTS[score.instrument]
    answered = f"{len(score.items)} of {len(instrument.items)} answered"
    value = (
        f"not scorable, {answered}" if score.value is None else f"{score.value:g} of {instrument.highest:g}"
    )
    asked = facts(score, "reoperated_since")
    return Moment(score.answered_on, f"{instrument.name}: {value}", asked)


def _reoperation(again: Reoperation, names: Names) -> Moment:
    parts = [Part(names[done.tear_id], facts(done, "action", "site")) for done in again.on_tears.all()]
    other = ["other_surgery"] if again.other_surgery != OtherSurgery.NONE else []
    told = facts(again, "planned", *other)
    return Moment(again.operated_on, "Reoperation", told, parts, mark="is-operation")


def _complication(complication: Complication) -> Moment:
    told = facts(complication, "severity", "found_by", "resolved_on")
    return Moment(complication.noticed_on, f"Complication: {complication.get_kind_display()}", told)


def _contact(contact: Contact) -> Moment:
    known = [("Known", "Not operated on again by that day")]
    return Moment(contact.contacted_on, f"Contact: {contact.get_source_display()}", known)


def _permission(knee: Knee) -> Iterator[Moment]:
    patient = knee.patient
    if patient.research_permission_on:
        answer = patient.get_research_permission_display()
        yield Moment(patient.research_permission_on, f"Research permission: {answer}", rank=4)


def _end(knee: Knee, end: EndOfFollowUp | None) -> Iterator[Moment]:
    if end:
        yield Moment(end.ended_on, "End of follow-up", facts(end, "reason", "attempts"), rank=8)
    if knee.patient.died_on:
        yield Moment(knee.patient.died_on, "Death", rank=9)
