"""Where each table of the record would lie on a PostgreSQL spread over machines, derived from the models.

Nothing here changes a database. All that is on record of a patient lies in that patient's shard, so that
whatever is counted or joined within a patient stays on one machine. Not the unit distributes: a patient may
be operated on in several, and one unit can outgrow a machine. The words are those of Citus; the rules that it
sets to keys are in `Within`.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from django.db.models import ForeignKey, Model, UniqueConstraint, UUIDField

from registry.isolation.rules import our_models
from registry.isolation.views import is_of_a_patient, wholes_of
from registry.models import Patient

Path = tuple[str, ...]


class Place(StrEnum):
    """Which machines hold the rows of a table."""

    SHARD = "in the shard of its patient"
    EVERYWHERE = "on every machine, the same (a reference table)"
    EACH_ITS_OWN = "on every machine, each its own rows"
    ONE = "on one machine, the coordinator"


class NoPlaceError(LookupError):
    """A model of which nobody said where its rows lie, or a key that no shard can hold."""


# What names a patient without being part of one. Corrections of a unit's or surgeon's rows, which name no
# patient, lie on the coordinator in a table alike.
OF_A_PATIENT: dict[str, Path] = {"registry.Correction": ("patient",)}

# Not pointed at by a patient's rows, but read together with them.
_READ_ALONG: dict[str, str] = {
    "registry.PlannedTimePoint": "the plan of reviews, which the due list joins",
    "registry.GradePeriod": "grades, joined where operations are split by them",
    "registry.Surgeon_units": "whose surgeon works where",
    "registry.Erasure": "the triggers of every table ask whether one is in hand",
    "registry.Wording": "texts of instruments, read on every screen",
}
_EACH_ITS_OWN: dict[str, str] = {
    "registry.DataVersion": "each machine counts its own writes; the version is the sum, as over writers now",
}
_ACCOUNT, _ASKED = "an account, asked for before any patient", "of whoever works with the record"
_ONE: dict[str, str] = {
    "registry.User_groups": _ACCOUNT,
    "registry.User_user_permissions": _ACCOUNT,
    "registry.Membership": _ACCOUNT,
    "registry.AccessKey": _ACCOUNT,
    "registry.Invitation": _ACCOUNT,
    "registry.BrowserSession": _ACCOUNT,
    "registry.SecondFactor": _ACCOUNT,
    "registry.RecoveryCode": _ACCOUNT,
    "registry.AccountEvent": _ACCOUNT,
    "registry.KnockCount": "counts by address, asked for before anybody is known",
    "registry.Creation": _ASKED,
    "registry.LotLookUp": _ASKED,
    "registry.Draft": _ASKED,
    "registry.Intake": "a file of many patients, taken in patient by patient",
    "registry.IntakeRow": "names rows of the record by table and key, without a foreign key",
    "registry.IntakeMemory": "how a unit's columns were read",
    "outcomes.Briefing": _ASKED,
    "outcomes.OwnDefinition": _ASKED,
    "outcomes.NamedCohort": _ASKED,
    "outcomes.CohortVersion": _ASKED,
    "outcomes.LedgerEntry": "one chain, so one writer and one machine",
    "outcomes.ReleaseJob": _ASKED,
}
# Unique keys of a patient's rows that name no row of the same patient: no shard can hold them alone.
ACROSS: dict[tuple[str, Path], str] = {
    ("registry.Identity", ("unit", "hospital_number_index")): (
        "a directory distributed by the blind index (unit, index, patient), written first; it also finds the "
        "shard of a patient by hospital number"
    ),
    ("registry.Correction", ("row_table", "row_id", "version")): (
        "a row is of one patient and its key of one sequence, so with the patient in it the key says the same"
    ),
}
RANDOM = "random, 122 bits: unique in each shard; who asks by it asks a directory or every shard"


@dataclass(frozen=True, slots=True)
class Within:
    """What a table's keys must take in: a shard holds a key only if the patient is part of it.

    `paths` lead from a row to its patient, the first that is not empty: () where the row is the patient.
    `foreign` are keys to rows of the same patient, which become (patient, key); `unique` those that name such
    a row, so that the patient added to them changes nothing; `across` those that name none, and how else
    each is held. The primary key becomes (patient, id), its id from one sequence of all machines.
    """

    paths: tuple[Path, ...]
    has_column: bool
    foreign: Path
    unique: tuple[Path, ...]
    across: dict[Path, str]


@dataclass(frozen=True, slots=True)
class Lies:
    """Where a table lies and why; `within` for shards alone; `everywhere` its keys to reference tables."""

    place: Place
    why: str
    within: Within | None = None
    everywhere: Path = ()


def layout() -> dict[type[Model], Lies]:
    """Where each table of both apps lies.

    Raises
    ------
    NoPlaceError
        A model has no place, or a unique key of a patient's rows no machine to hold it: say so above.
    """
    return {model: _lies(model) for model in our_models()}


def is_in_a_shard(model: type[Model]) -> bool:
    """Whether a table's rows are each of one patient."""
    return is_of_a_patient(model) or model._meta.label in OF_A_PATIENT


def paths(model: type[Model]) -> tuple[Path, ...]:
    """From a row to its patient by foreign keys, the first that is not empty; none if it has no patient."""
    if model is Patient:
        return ((),)
    if model._meta.label in OF_A_PATIENT:
        return (OF_A_PATIENT[model._meta.label],)
    if not is_of_a_patient(model):
        return ()
    wholes = [_field(model, name) for name in wholes_of(model)]
    chosen = wholes if wholes[0].null else wholes[:1]
    return tuple((each.name, *path) for each in chosen for path in paths(each.related_model))


def foreign_keys(model: type[Model]) -> Iterator[Any]:
    """The foreign keys of a table."""
    return (field for field in model._meta.concrete_fields if isinstance(field, ForeignKey))


def _lies(model: type[Model]) -> Lies:
    label = model._meta.label
    if is_in_a_shard(model):
        shared = tuple(key.name for key in foreign_keys(model) if not is_in_a_shard(key.related_model))
        return Lies(Place.SHARD, "of a patient", _within(model), shared)
    if model in _pointed_at():
        return Lies(Place.EVERYWHERE, "rows of patients point at it")
    for place, told in (
        (Place.EVERYWHERE, _READ_ALONG),
        (Place.EACH_ITS_OWN, _EACH_ITS_OWN),
        (Place.ONE, _ONE),
    ):
        if label in told:
            return Lies(place, told[label])
    raise NoPlaceError(f"{label} has no place among several machines: say in {__name__} where its rows lie.")


def _pointed_at() -> set[Any]:
    """What rows of patients point at outside of them, and what that points at in turn."""
    found: set[Any] = set()
    waiting = [model for model in our_models() if is_in_a_shard(model)]
    waiting += [model for model in our_models() if model._meta.label in _READ_ALONG]
    while waiting:
        targets = {key.related_model for key in foreign_keys(waiting.pop())}
        new = {each for each in targets if not is_in_a_shard(each)} - found
        found |= new
        waiting += new
    return found


def _within(model: type[Model]) -> Within:
    unique = list(_unique(model))
    across = [names for names in unique if not _names_its_patient(model, names)]
    return Within(
        paths=paths(model),
        has_column=("patient",) in paths(model) or model is Patient,
        foreign=tuple(key.name for key in foreign_keys(model) if is_in_a_shard(key.related_model)),
        unique=tuple(names for names in unique if names not in across),
        across={names: _held(model, names) for names in across},
    )


def _unique(model: type[Model]) -> Iterator[Path]:
    """Unique keys beside the primary one, by the names of their fields."""
    yield from ((each.name,) for each in model._meta.concrete_fields if each.unique and not each.primary_key)
    yield from (tuple(names) for names in model._meta.unique_together)
    for constraint in model._meta.constraints:
        if isinstance(constraint, UniqueConstraint):
            yield tuple(constraint.fields)


def _names_its_patient(model: type[Model], names: Path) -> bool:
    targets = (_field(model, name).related_model for name in names)
    return any(target and is_in_a_shard(target) for target in targets)


def _held(model: type[Model], names: Path) -> str:
    """How a unique key is held that no shard can hold alone."""
    if len(names) == 1 and isinstance(_field(model, names[0]), UUIDField):
        return RANDOM
    if (told := ACROSS.get((model._meta.label, names))) is None:
        raise NoPlaceError(
            f"{model._meta.label}: no shard can hold {', '.join(names)} unique. Say in {__name__} how."
        )
    return told


def _field(model: type[Model], name: str) -> Any:
    return model._meta.get_field(name)
