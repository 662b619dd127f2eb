"""Everything on the page that records or corrects an operation, and what it comes to on record."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Self
from uuid import UUID, uuid4
from zoneinfo import ZoneInfo

from django.db.models import QuerySet
from django.http import QueryDict
from django.utils import timezone

from registry.access import surgeons_of
from registry.models import Implant, IndexProcedure, Kept, Knee, Rehabilitation, Unit, User
from registry.pages.drafts import fill
from registry.pages.forms.base import Spoken
from registry.pages.forms.operation.base import Posted, sound
from registry.pages.forms.operation.card import TearCard, cards
from registry.pages.forms.operation.implants import ImplantForm, ScanForm
from registry.pages.forms.operation.patient import KnownKneeForm, PatientForm
from registry.pages.forms.operation.procedure import ProcedureForm, RehabilitationForm
from registry.pages.forms.operation.questions import ASKED, AnswersForm, questions
from registry.pages.forms.operation.recorded import Recorded
from registry.pages.forms.operation.rows import KNOWN, implants_in, row_key, tears_in
from registry.pages.forms.saving import Entry
from registry.pages.tears import repaired_before
from registry.rules.indications import USUAL_VARUS_LIMIT_DEG
from registry.rules.questions import Question
from registry.vocabulary import RehabilitationCourse

ENTRY = "entry"


@dataclass(frozen=True)
class Setting:
    """Who records an operation, in which units, and on which knee if that is on record."""

    person: User
    units: QuerySet[Unit]
    knee: Knee | None = None
    procedure: IndexProcedure | None = None


@dataclass
class OperationEntry:
    """The forms of the page. What was typed is either sent, to be checked, or shown again as it stands."""

    key: UUID
    recorded: Recorded
    patient: PatientForm | KnownKneeForm
    procedure: ProcedureForm
    rehabilitation: RehabilitationForm
    cards: list[TearCard]
    implants: list[ImplantForm]
    scan: ScanForm
    posted: Posted = None
    # As it came: nobody typed anything yet.
    is_fresh: bool = True
    known_rows: list[str] = field(default_factory=list)
    asked_before: list[str] = field(default_factory=list)

    @classmethod
    def opened(cls, setting: Setting) -> Self:
        """The page as it comes: empty, or as the operation is on record."""
        return cls._built(setting, None, None)

    @classmethod
    def sent(cls, setting: Setting, posted: QueryDict) -> Self:
        """The page to be checked and saved."""
        return cls._built(setting, posted, posted)

    @classmethod
    def shown(cls, setting: Setting, typed: QueryDict) -> Self:
        """The page as it stands, nothing of it checked before its time."""
        entry = cls._built(setting, typed, None)
        fill(entry.forms, typed)
        entry.answers.show(typed)
        return entry

    @classmethod
    def _built(cls, setting: Setting, typed: QueryDict | None, posted: QueryDict | None) -> Self:
        recorded = Recorded.of(setting.procedure) if setting.procedure else Recorded()
        earlier = repaired_before(setting.knee) if setting.knee else []
        earlier = [each for each in earlier if each[0].pk not in recorded.tears]
        procedure = _procedure_form(setting, recorded, posted)
        procedure.instance.uuid = _key(typed) if recorded.procedure is None else recorded.procedure.uuid
        numbers = tears_in(typed) if typed is not None else []
        return cls(
            procedure.instance.uuid,
            recorded,
            _patient_form(setting, posted),
            procedure,
            _rehabilitation_form(recorded, posted),
            list(cards(numbers, typed, posted, recorded, earlier)),
            list(_implant_forms(recorded, typed, posted)),
            ScanForm(posted, prefix="implant"),
            posted,
            typed is None,
            typed.getlist(KNOWN) if typed is not None else list(recorded.rows),
            typed.getlist(ASKED) if typed is not None else [],
        )

    # --- checking ------------------------------------------------------------------------------

    @property
    def forms(self) -> list[Spoken]:
        """Every form of the page but the answers, in its order."""
        of_tears = [form for card in self.cards for form in card.forms]
        return [self.patient, self.procedure, *of_tears, self.scan, *self.implants, self.rehabilitation]

    @property
    def checked(self) -> list[Spoken]:
        """The forms that say something: those of a repair only where there was one."""
        of_tears = [form for card in self.cards for form in card.checked]
        return [self.patient, self.procedure, *of_tears, self.scan, *self.implants, self.rehabilitation]

    def is_valid(self) -> bool:
        # Every part is checked, so that all there is to mend is said at once.
        known = self.patient.is_valid()
        if known:
            self.procedure.of(self.patient)
        of_tears = [card.is_valid() for card in self.cards]
        others = [form.is_valid() for form in (self.scan, *self.implants, self.rehabilitation)]
        return all([known, self.procedure.is_valid(), *of_tears, *others])

    @property
    def has_changed(self) -> bool:
        """Whether the page says anything else than the record does."""
        forms = [self.procedure, *self.implants, self.rehabilitation, self.answers]
        of_tears = [form for card in self.cards for form in card.checked]
        return bool(self.removed) or any(form.has_changed() for form in [self.patient, *forms, *of_tears])

    # --- what the soft rules ask ---------------------------------------------------------------

    @property
    def used_cards(self) -> list[TearCard]:
        return [card for card in self.cards if card.is_used or not card.tear.is_bound]

    @property
    def implant_values(self) -> list[dict[str, Any]]:
        return [sound(form) for form in self.implants]

    @property
    def questions(self) -> list[Question]:
        return questions(self.procedure.values, self.used_cards, self.implant_values, self.varus_limit_deg)

    @cached_property
    def answers(self) -> AnswersForm:
        known = self.recorded.answers
        return AnswersForm(self.questions, self.used_cards, known, self.asked_before, self.posted)

    @property
    def asks(self) -> bool:
        """Whether the questions stand as lines to be answered: once the page was sent, or answered before."""
        shown = self.posted is not None or self.asked_before or self.recorded.answers
        return bool(shown and self.answers.fields)

    @property
    def varus_limit_deg(self) -> Any:
        """The unit's own limit, where the unit is known by now."""
        unit = self.unit
        return unit.hka_limit_deg if unit else USUAL_VARUS_LIMIT_DEG

    @cached_property
    def unit(self) -> Unit | None:
        said = str(getattr(self.patient["unit"].value(), "pk", self.patient["unit"].value()) or "")
        choices: Any = self.patient.fields["unit"]
        return next((unit for unit in choices.queryset if str(unit.pk) == said), None)

    # --- to the record -------------------------------------------------------------------------

    def entries(self) -> list[Entry]:
        """Form and row of a new operation, a row after those it refers to."""
        patient: list[Entry] = [(self.patient, row) for row in self.patient.rows()]
        return [*patient, (self.procedure, self.procedure.instance), *self.parts()]

    def parts(self) -> Iterator[Entry]:
        """Form and row of every part of the operation."""
        operation = self.procedure.instance
        for card in self.cards:
            yield from card.entries(operation)
        for form in self.said_implants:
            form.instance.procedure = operation
            yield form, form.instance
        if self.plans:
            self.rehabilitation.instance.procedure = operation
            yield self.rehabilitation, self.rehabilitation.instance
        for answer in self.answers.rows(operation):
            yield self.answers, answer

    @property
    def said_implants(self) -> list[ImplantForm]:
        return [form for form in self.implants if form.instance.pk or form.has_changed()]

    @property
    def plans(self) -> bool:
        return not self.rehabilitation.is_empty

    @property
    def removed(self) -> list[Kept]:
        """Rows that stood on the page when it was opened, still stand, and were taken out of it."""
        kept = {f"tear-{card.row}" for card in self.cards}
        kept |= {f"pass-{each.instance.pk}" for card in self.cards for each in card.said_passes}
        kept |= {f"implant-{form.instance.pk}" for form in self.implants}
        standing = self.recorded.rows
        return [standing[name] for name in self.known_rows if name in standing and name not in kept]


def _key(typed: Mapping[str, Any] | None) -> UUID:
    """What the page carries, so that sending it twice records it once."""
    try:
        return UUID(str((typed or {}).get(ENTRY)))
    except ValueError:
        return uuid4()


def _patient_form(setting: Setting, posted: Posted) -> PatientForm | KnownKneeForm:
    units = setting.units
    unit = setting.procedure.unit if setting.procedure else units.first() if len(units) == 1 else None
    if setting.knee:
        return KnownKneeForm(units, setting.knee, posted, prefix="patient", initial={"unit": unit})
    return PatientForm(units, posted, prefix="patient", initial={"unit": unit})


def _procedure_form(setting: Setting, recorded: Recorded, posted: Posted) -> ProcedureForm:
    surgeons = surgeons_of(setting.units)
    first = {} if recorded.procedure else _known_of(setting)
    return ProcedureForm(
        surgeons,
        posted,
        instance=recorded.procedure,
        prefix="operation",
        initial=first,
        use_required_attribute=False,
    )


def _known_of(setting: Setting) -> dict[str, Any]:
    """What goes without saying of a new operation: it is today's, of who records it."""
    lead = surgeons_of(setting.units).filter(user=setting.person).first()
    zone = setting.units[0].time_zone
    return {"lead_surgeon": lead, "operated_on": timezone.localdate(timezone=ZoneInfo(zone))}


def _rehabilitation_form(recorded: Recorded, posted: Posted) -> RehabilitationForm:
    planned = recorded.planned or Rehabilitation(course=RehabilitationCourse.PLANNED)
    return RehabilitationForm(
        posted, instance=planned, prefix="planned", empty_permitted=True, use_required_attribute=False
    )


def _implant_forms(recorded: Recorded, typed: Posted, posted: Posted) -> Iterator[ImplantForm]:
    rows: dict[int, int | None] = dict(enumerate(recorded.implants, start=1))
    if typed is not None:
        rows = {number: row_key(typed, f"implant-{number}") for number in implants_in(typed)}
    for number, key in rows.items():
        form = ImplantForm(
            posted,
            instance=recorded.implants.get(key or 0) or Implant(),
            prefix=f"implant-{number}",
            empty_permitted=True,
            use_required_attribute=False,
        )
        form.title = f"Implant {number}"
        yield form
