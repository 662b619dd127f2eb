"""The operation in the Knee story: the knee, the team, and what was found of each tear and done about it."""

from collections.abc import Iterable, Iterator

from registry.models import (
    Implant,
    IndexProcedure,
    Rehabilitation,
    Repair,
    SoftAnswer,
    SuturePass,
    Tear,
)
from registry.models.procedures import LIGAMENTS
from registry.pages.story.keeping import kept, links_of_operation
from registry.pages.story.moment import Moment, Part
from registry.pages.story.teller import Teller
from registry.pages.wording import Facts, facts, tear_facts
from registry.rules.indications import PREREQUISITES
from registry.vocabulary import (
    Acuity,
    DatePrecision,
    LigamentState,
    LigamentSurgery,
    PosteromedialLook,
)

LOCAL_PROTOCOL = "For audit: local protocol and the operating surgeon decide."


def injury(procedure: IndexProcedure) -> Moment:
    return Moment(
        on=procedure.injured_on or procedure.operated_on,
        title="Injury",
        facts=facts(procedure, "injury_cause", "preinjury_tegner"),
        rank=0,
        precision=DatePrecision(procedure.injury_date_precision),
    )


def operation(told: Teller, procedure: IndexProcedure) -> Moment:
    return Moment(
        on=procedure.operated_on,
        title="Operation",
        facts=[
            *_derived(procedure),
            *_team(procedure, by_name=procedure.unit_id in told.reader.units),
            *_ligaments(procedure),
            *_other_surgery(procedure),
            *facts(procedure, "bmi", "smoking", "asa", "anaesthetic", "tourniquet_min"),
            *_alignment(procedure),
            *facts(procedure, "cartilage_medial", "cartilage_lateral", "cartilage_patellofemoral"),
        ],
        parts=list(_parts(told, procedure)),
        note=LOCAL_PROTOCOL,
        mark="is-operation",
        rank=1,
        anchor=f"operation-{procedure.uuid}",
        kept=kept(told, procedure),
        links=links_of_operation(told, procedure),
    )


def _derived(procedure: IndexProcedure) -> Facts:
    days = procedure.days_from_injury
    acuity = Acuity(procedure.acuity).label
    return [
        ("Acuity", acuity if days is None else f"{acuity}, {days} days from injury"),
        ("Sex", procedure.knee.patient.get_sex_display()),
        ("Age at operation", _age(procedure)),
        ("Indications", str(procedure.indication_verdict)),
        ("Ligament surgery", LigamentSurgery(procedure.ligament_surgery).label),
        ("Posteromedial look", _posteromedial_look(procedure)),
        ("Entered", "Later, from notes" if procedure.entered_late else "As it happened"),
    ]


def _age(procedure: IndexProcedure) -> str:
    exact = "" if procedure.knee.patient.born_on_is_exact else ", date of birth not exact"
    return f"{procedure.age_at_operation} years{exact}"


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
    rest = "All ligaments" if not torn else "Other ligaments"
    intact = [(rest, LigamentState.INTACT.label)] if len(torn) < len(LIGAMENTS) else []
    return [*facts(procedure, *torn), *intact, *facts(procedure, "staging", "ligament_planned_on", "graft")]


def _other_surgery(procedure: IndexProcedure) -> Facts:
    done = ", ".join(procedure.other_procedures).capitalize()
    return [("Also done", done)] if done else []


def _alignment(procedure: IndexProcedure) -> Facts:
    limit_deg = float(procedure.unit.hka_limit_deg)
    return [
        (label, f"{text}; usual limit of this unit: {limit_deg:g} varus")
        for label, text in facts(procedure, "hka_deg")
    ]


def _parts(told: Teller, procedure: IndexProcedure) -> Iterator[Part]:
    yield Part("Prerequisites checked", facts(procedure, *PREREQUISITES), folded=True)
    for tear in procedure.tears.all():
        yield _tear(told, tear)
    if implants := list(procedure.implants.all()):
        yield Part("Implants", [_implant(implant, procedure) for implant in implants])
    for course in procedure.rehabilitation.all():
        yield _rehabilitation(course)
    if answers := answered(told, procedure.soft_answers.all()):
        yield Part("Answered when asked", answers)


def _tear(told: Teller, tear: Tear) -> Part:
    earlier = told.tear_names.get(tear.revises_id or 0)
    returned = [("Return of", earlier)] if earlier else []
    repair = tear.standing_repair
    passes = _passes(repair) if repair else []
    return Part(told.tear_names[tear.pk], [*returned, *tear_facts(tear), *passes])


def _passes(repair: Repair) -> Facts:
    said = "; ".join(_pass(each) for each in repair.passes.all())
    return [("Suture passes", said)] if said else []


def _pass(each: SuturePass) -> str:
    words = [
        str(each),
        each.get_surface_display().lower(),
        f"suture {each.suture_size}" if each.suture_size else "",
        f"{each.spacing_mm} mm apart" if each.spacing_mm is not None else "",
    ]
    return ", ".join(word for word in words if word)


def _implant(implant: Implant, procedure: IndexProcedure) -> tuple[str, str]:
    """Its identifier and what its label says, with a word on what had expired."""
    said = [f"{label.lower()} {text}" for label, text in facts(implant, "lot", "serial", "expires_on")]
    expired = implant.expires_on is not None and implant.expires_on < procedure.operated_on
    note = "; expired at operation" if expired else ""
    return f"Identifier {implant.device_identifier}", f"{implant.count} used, {', '.join(said)}{note}"


def _rehabilitation(course: Rehabilitation) -> Part:
    told = facts(
        course,
        "full_weight_bearing_weeks",
        "brace_weeks",
        "flexion_limit_deg",
        "flexion_limit_weeks",
        "sport_return_months",
    )
    return Part(f"Rehabilitation, {course.get_course_display().lower()}", told)


def answered(told: Teller, answers: Iterable[SoftAnswer]) -> Facts:
    """What was answered to questions asked while recording, each with its tear."""
    return [(_question(told, answer), answer.answer) for answer in answers]


def _question(told: Teller, answer: SoftAnswer) -> str:
    question = answer.code.replace("-", " ").replace("_", " ").capitalize()
    return f"{told.tear_names[answer.tear_id]}: {question}" if answer.tear_id else question
