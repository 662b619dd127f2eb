"""Who may see and do what. Every page, view and command asks here; nothing else decides.

A role in a unit opens actions on that unit's record. One helper an object fetches and checks at once: a
stranger gets 404, as if the object did not exist; someone who sees it but may not do this gets 403.
"""

from collections.abc import Collection, Iterable
from enum import Enum, auto
from uuid import UUID

from django.contrib.auth.models import AnonymousUser
from django.core.exceptions import PermissionDenied
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.http import Http404

from registry.isolation.scope import as_person
from registry.models import IndexProcedure, Knee, Patient, Surgeon, Unit, User
from registry.vocabulary import Role

Person = User | AnonymousUser


class Action(Enum):
    """What a person may do with a unit's record."""

    SEE_RECORD = auto()
    RECORD_OPERATION = auto()
    RECORD_FOLLOW_UP = auto()
    SEE_IDENTITY = auto()
    SEE_FIGURES = auto()
    SEE_OWN_RESULTS = auto()
    NAME_COHORT = auto()
    DEFINE_FAILURE = auto()
    BRIEF = auto()
    RELEASE = auto()
    LOOK_UP_LOTS = auto()
    READ_TEARS = auto()
    TAKE_IN = auto()
    MANAGE_UNIT = auto()


ALLOWED: dict[Action, frozenset[Role]] = {
    Action.SEE_RECORD: frozenset({Role.SURGEON, Role.CLINICIAN, Role.AUDIT_LEAD}),
    Action.RECORD_OPERATION: frozenset({Role.SURGEON}),
    Action.RECORD_FOLLOW_UP: frozenset({Role.SURGEON, Role.CLINICIAN}),
    Action.SEE_IDENTITY: frozenset({Role.SURGEON, Role.CLINICIAN}),
    Action.SEE_FIGURES: frozenset({Role.SURGEON, Role.CLINICIAN, Role.AUDIT_LEAD, Role.COORDINATOR}),
    Action.SEE_OWN_RESULTS: frozenset({Role.SURGEON, Role.AUDIT_LEAD}),
    Action.NAME_COHORT: frozenset({Role.SURGEON, Role.CLINICIAN, Role.AUDIT_LEAD, Role.COORDINATOR}),
    Action.DEFINE_FAILURE: frozenset({Role.AUDIT_LEAD}),
    Action.BRIEF: frozenset({Role.AUDIT_LEAD}),
    Action.RELEASE: frozenset({Role.COORDINATOR}),
    Action.LOOK_UP_LOTS: frozenset({Role.SURGEON, Role.AUDIT_LEAD}),
    Action.READ_TEARS: frozenset({Role.SURGEON}),
    # What comes in from old notes names patients and says who operated: those who record both.
    Action.TAKE_IN: frozenset({Role.SURGEON}),
    Action.MANAGE_UNIT: frozenset({Role.ADMINISTRATOR}),
}


# Whoever may do any of this has a second factor, where the site requires one: it shows who patients are,
# lets data leave, or lets people in.
GUARDED: frozenset[Action] = frozenset(
    {Action.SEE_IDENTITY, Action.TAKE_IN, Action.RELEASE, Action.MANAGE_UNIT}
)


def units_for(person: Person, action: Action) -> QuerySet[Unit]:
    """The units in which a person may do this; none when signed out."""
    return _units_in_role(person, ALLOWED[action])


def own_units(person: Person) -> QuerySet[Unit]:
    """The units in which a person has any role."""
    return _units_in_role(person, frozenset(Role))


def keys_of_own_units(person: User) -> set[int]:
    """The same by key, for whoever does not see units yet: what the database is told to show them."""
    return set(person.memberships.values_list("unit", flat=True)) if person.is_active else set()


def _units_in_role(person: Person, roles: Iterable[Role]) -> QuerySet[Unit]:
    if not isinstance(person, User) or not person.is_active:
        return Unit.objects.none()
    # One row a membership: a subquery rather than a join, so that a unit comes once.
    held = person.memberships.filter(role__in=roles).values("unit")
    return Unit.objects.filter(pk__in=held)


def roles_of(person: Person) -> set[Role]:
    """The roles that a person holds in at least one unit."""
    if not isinstance(person, User) or not person.is_active:
        return set()
    with as_person(person.pk):  # asked before anybody is signed in, too
        return {Role(role) for role in person.memberships.values_list("role", flat=True)}


def actions_of(person: Person) -> set[Action]:
    """Everything a person may do in at least one unit."""
    roles = roles_of(person)
    return {action for action, allowed in ALLOWED.items() if roles & allowed}


def require(person: Person, action: Action) -> QuerySet[Unit]:
    """The units in which a person may do this; 403 when there is none."""
    units = units_for(person, action)
    if not units:
        raise PermissionDenied
    return units


def unit_for(person: Person, code: str, action: Action) -> Unit:
    """One unit, fetched and checked for `action`."""
    unit = own_units(person).filter(code=code).first()
    if unit is None:
        raise Http404
    if not units_for(person, action).filter(pk=unit.pk).exists():
        raise PermissionDenied
    return unit


def units_beyond(person: User, other: User) -> QuerySet[Unit]:
    """The units in which somebody else holds a role, closed account or not, that a person does not manage."""
    managed = units_for(person, Action.MANAGE_UNIT)
    return Unit.objects.filter(pk__in=other.memberships.values("unit")).exclude(pk__in=managed)


def knees_for(person: Person, action: Action = Action.SEE_RECORD) -> QuerySet[Knee]:
    """Knees operated on in a unit in which the person may do this, even if that was withdrawn since."""
    operated = IndexProcedure.ever.filter(knee=OuterRef("pk"), unit__in=units_for(person, action))
    # Told knee by knee: SQLite would list the knees of all operations first, to look for one of them.
    return Knee.objects.filter(Exists(operated))


def knee_for(person: Person, uuid: UUID, action: Action = Action.SEE_RECORD) -> Knee:
    """One knee with its patient, fetched and checked for `action`."""
    knee = knees_for(person).select_related("patient").filter(uuid=uuid).first()
    if knee is None:
        raise Http404
    if action is not Action.SEE_RECORD and not knees_for(person, action).filter(pk=knee.pk).exists():
        raise PermissionDenied
    return knee


def patients_for(person: Person, action: Action = Action.SEE_RECORD) -> QuerySet[Patient]:
    """Patients of a unit in which the person may do this, and those of a knee with which they may."""
    knees = knees_for(person, action).values("patient")
    return Patient.objects.filter(Q(unit__in=units_for(person, action)) | Q(pk__in=knees))


def patient_for(person: Person, uuid: UUID, action: Action = Action.SEE_RECORD) -> Patient:
    """One patient, fetched and checked for `action`."""
    patient = patients_for(person).select_related("unit").filter(uuid=uuid).first()
    if patient is None:
        raise Http404
    if action is not Action.SEE_RECORD and not patients_for(person, action).filter(pk=patient.pk).exists():
        raise PermissionDenied
    return patient


def units_showing_surgeons(person: Person) -> QuerySet[Unit]:
    """Where a person sees results of single surgeons: units whose audit they lead and that agreed."""
    if not isinstance(person, User) or not person.is_active:
        return Unit.objects.none()
    led = person.memberships.filter(role=Role.AUDIT_LEAD).values("unit")
    return Unit.objects.filter(pk__in=led, lead_sees_surgeon_results=True)


def surgeons_shown(person: Person) -> QuerySet[Surgeon]:
    """The surgeons whose results a person may see by name: their own, and those of units that agreed."""
    if not isinstance(person, User) or not person.is_active:
        return Surgeon.objects.none()
    return Surgeon.objects.filter(Q(user=person) | Q(units__in=units_showing_surgeons(person))).distinct()


def results_shown(person: User, operation: str) -> Q:
    """Which results go by their surgeon's name; `operation` is the path to the operation, "" or "a__b__".

    By unit as well as by surgeon: one who also works elsewhere is not named for what was done there.
    """
    return results_of(person.pk, units_showing_surgeons(person), operation)


def results_of(person: int, units: QuerySet[Unit] | Collection[int], operation: str) -> Q:
    """As `results_shown`, of a person by key, for whom results go by name in these units."""
    return Q(**{f"{operation}lead_surgeon__user": person}) | Q(**{f"{operation}unit__in": units})


def surgeons_of(units: Iterable[Unit]) -> QuerySet[Surgeon]:
    """The surgeons who work in any of these units."""
    return Surgeon.objects.filter(Q(units__in=units)).distinct()
