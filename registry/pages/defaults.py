"""What a surgeon usually does: the habits of the last operation of a kind, to start the next entry from.

A kind is the main pattern with the ligament surgery. Only what is done by habit is taken over, such as
technique, suture and aftercare; never what was seen or measured in another knee.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Prefetch, QuerySet
from django.forms import BaseForm
from django.utils.formats import date_format

from registry.access import Action, units_for
from registry.models import IndexProcedure, Surgeon, Tear, User
from registry.models.procedures import LIGAMENTS
from registry.models.repairs import TECHNIQUE_FIELDS
from registry.pages.forms.operation.base import UNDECIDED, as_sent
from registry.pages.forms.operation.card import TearCard
from registry.pages.forms.operation.entry import OperationEntry, Setting
from registry.pages.forms.operation.rows import numbered
from registry.vocabulary import LigamentState, LigamentSurgery, Pattern

KINDS_SHOWN = 5
_OPERATIONS_READ = 100
_OPERATED = (LigamentState.STAGED, LigamentState.TREATED_HERE)

OF_OPERATION = (
    "first_assistant",
    "repaired_by",
    "supervision",
    "anaesthetic",
)
OF_TEAR = ("pattern", "treatment")
OF_REPAIR = (
    *TECHNIQUE_FIELDS,
    "rasped",
    "trephined",
    "shaved",
    "tunnels",
    "tibial_fixation",
    "augmentation",
)
OF_PASSES = ("configuration", "surface", "suture_size", "spacing_mm")


@dataclass(frozen=True, slots=True)
class Kind:
    """The latest operation of one kind."""

    like: UUID
    words: str


def kinds(person: User) -> list[Kind]:
    """The kinds of operation that a surgeon did, each by its latest, the latest first."""
    found: dict[tuple[str, str], Kind] = {}
    for procedure in _own(person)[:_OPERATIONS_READ]:
        main = _main_tear(procedure)
        if main:
            key = main.pattern, procedure.ligament_surgery
            found.setdefault(key, Kind(procedure.uuid, _words(procedure, *key)))
    return list(found.values())[:KINDS_SHOWN]


def habits(setting: Setting, like: str) -> dict[str, str] | None:
    """What is taken over from one of a surgeon's own operations, as the page would send it.

    None for any other operation.
    """
    key = _uuid(like)
    procedure = _own(setting.person).filter(uuid=key).first() if key else None
    if procedure is None:
        return None
    entry = OperationEntry.opened(Setting(setting.person, setting.units, procedure.knee, procedure))
    typed = _of_operation(entry, procedure) | _said_by(entry.rehabilitation)
    main = _main_tear(procedure)
    for card in entry.cards:
        if main and card.row == main.pk:
            typed |= numbered(_of_tear(card), 1)
    return typed


def _of_tear(card: TearCard) -> dict[str, str]:
    said = _said_by(card.tear, OF_TEAR)
    if card.tear.says_repaired:
        said |= _said_by(card.repair, OF_REPAIR)
        for form in card.passes:
            # How many there were is another tear's.
            said |= {form.add_prefix("number"): "", **_said_by(form, OF_PASSES)}
    return said


def _of_operation(entry: OperationEntry, procedure: IndexProcedure) -> dict[str, str]:
    # Of the tourniquet only that none was used; its minutes are another patient's.
    unused = ("tourniquet_min",) if procedure.tourniquet_min == 0 else ()
    return _said_by(entry.procedure, (*OF_OPERATION, *_of_ligaments(procedure), *unused))


def _of_ligaments(procedure: IndexProcedure) -> tuple[str, ...]:
    """The ACL that the kind was chosen by; of any other ligament nothing is known before it is seen."""
    operated = [name for name in LIGAMENTS if getattr(procedure, name) in _OPERATED]
    return ("acl", "staging") if operated == ["acl"] else ()


def _own(person: User) -> QuerySet[IndexProcedure]:
    """Operations that a person led in units where they still operate, the latest first."""
    return (
        IndexProcedure.objects.filter(
            lead_surgeon__in=Surgeon.objects.filter(user=person),
            unit__in=units_for(person, Action.RECORD_OPERATION),
        )
        .select_related("knee__patient", "unit")
        .prefetch_related(Prefetch("tears", Tear.objects.order_by("pk")))
        .order_by("-operated_on", "-pk")
    )


def _main_tear(procedure: IndexProcedure) -> Tear | None:
    """The first tear repaired, or the first if none was."""
    tears = list(procedure.tears.all())
    return next((tear for tear in tears if tear.is_repaired), tears[0] if tears else None)


def _words(procedure: IndexProcedure, pattern: str, surgery: str) -> str:
    ligament = (
        "no ligament surgery"
        if surgery == LigamentSurgery.NONE
        else f"ligament {LigamentSurgery(surgery).label.lower()}"
    )
    return f"{Pattern(pattern).label}, {ligament}, {date_format(procedure.operated_on)}"


def _said_by(form: BaseForm, names: Iterable[str] | None = None) -> dict[str, str]:
    """What a form says of the fields named, where that is more than an empty page says."""
    sent = as_sent(form)
    said = {form.add_prefix(name): str(form.fields[name].initial) for name in names or form.fields}
    return {
        name: sent[name]
        for name, blank in said.items()
        if sent.get(name) not in UNDECIDED and sent[name] != blank
    }


def _uuid(text: str) -> UUID | None:
    try:
        return UUID(text)
    except ValueError:
        return None
