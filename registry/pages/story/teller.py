"""What every part of a Knee story needs: the knee with all its rows, its tears by name, and its reader."""

from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from typing import Any, Self

from django.db.models import (
    BooleanField,
    Count,
    Exists,
    ExpressionWrapper,
    Max,
    OuterRef,
    Prefetch,
    Q,
    prefetch_related_objects,
)

from registry.access import Action, knees_for, units_for
from registry.completeness import ligament_treated_since, looked_since
from registry.models import (
    BookedVisit,
    Correction,
    EndOfFollowUp,
    Entry,
    GivenUpReview,
    IndexProcedure,
    Knee,
    PatientReport,
    Tear,
    User,
)
from registry.pages.wording import tear_name
from registry.vocabulary import CorrectionKind

# A fixed number of queries, however long the story is.
READS: tuple[Any, ...] = (
    "patient__unit",
    Prefetch(
        "procedures",
        IndexProcedure.objects.select_related(
            "unit", "lead_surgeon", "first_assistant", "repaired_by", "recorded_by", "signed_by"
        )
        .annotate(
            looked_since=ExpressionWrapper(looked_since(), BooleanField()),
            ligament_treated_since=ExpressionWrapper(ligament_treated_since(), BooleanField()),
        )
        .order_by("operated_on", "pk"),
    ),
    Prefetch("procedures__tears", Tear.objects.select_related("repair").order_by("pk")),
    "procedures__tears__repair__passes",
    "procedures__implants",
    "procedures__rehabilitation",
    "procedures__soft_answers",
    Prefetch("reports", PatientReport.objects.select_related("recorded_by", "reoperation", "operation")),
    Prefetch("given_up_reviews", GivenUpReview.objects.select_related("recorded_by")),
    Prefetch("booked_visits", BookedVisit.objects.select_related("recorded_by")),
    "looks__findings",
    "looks__soft_answers",
    "imaging__findings",
    "reoperations__on_tears",
    *(f"{rows}__recorded_by" for rows in (
        "visits", "looks", "imaging", "reoperations", "complications", "contacts", "scores"
    )),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reader:
    """Who reads: in which units they see the record, whom they know by name, and what they may do."""

    person: int
    units: set[int]
    known_people: set[int]
    operates_in: set[int]
    follows_in: set[int]
    may_operate: bool
    may_record: bool

    @classmethod
    def of(cls, person: Any, knee: Knee) -> Self:
        units = set(units_for(person, Action.SEE_RECORD).values_list("pk", flat=True))
        here = [
            Exists(knees_for(person, action).filter(pk=OuterRef("pk")))
            for action in (Action.RECORD_OPERATION, Action.RECORD_FOLLOW_UP)
        ]
        may_operate, may_record = Knee.objects.values_list(*here).get(pk=knee.pk)
        people = User.objects.filter(memberships__unit__in=units)
        return cls(
            person=person.pk,
            units=units,
            known_people=set(people.values_list("pk", flat=True)),
            operates_in=set(units_for(person, Action.RECORD_OPERATION).values_list("pk", flat=True)),
            follows_in=set(units_for(person, Action.RECORD_FOLLOW_UP).values_list("pk", flat=True)),
            may_operate=may_operate,
            may_record=may_record,
        )

    def corrects(self, procedure: IndexProcedure) -> bool:
        """Whether the reader may change this operation: who operates in its unit."""
        return procedure.unit_id in self.operates_in

    def follows(self, procedure: IndexProcedure) -> bool:
        """Whether the reader may say how this operation was followed: who records follow-up in its unit."""
        return procedure.unit_id in self.follows_in

    def signs(self, procedure: IndexProcedure) -> bool:
        """Whether the note is the reader's own to sign: who led, or repaired, and still operates."""
        surgeons = (procedure.lead_surgeon, procedure.repaired_by)
        return self.may_operate and self.person in [who.user_id for who in surgeons if who]

    def name_of(self, user: User) -> str:
        """A person by name when they work where the reader does."""
        return user.shown_name if user.pk in self.known_people else "another unit"


@dataclass(frozen=True, slots=True)
class Changes:
    """What was done to one entry and its parts since it was recorded."""

    # Mark of the last correction of any kind, to be given back as `seen`.
    latest: int = 0
    # How many acts changed it, and when the last one did. Signing changes nothing.
    times: int = 0
    last_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Teller:
    """One knee fetched whole, and who is told of it."""

    knee: Knee
    reader: Reader
    end: EndOfFollowUp | None
    tears: dict[int, Tear]
    tear_names: dict[int, str]
    changes: dict[tuple[str, int], Changes]

    @classmethod
    def of(cls, knee: Knee, reader: Reader) -> Self:
        # First: a mark may be older than what is told beside it, never newer.
        changes = _changes_of(knee)
        prefetch_related_objects([knee], *READS)
        ended = EndOfFollowUp.objects.filter(patient=knee.patient).select_related("recorded_by")
        end = ended.first()
        tears = list(chain.from_iterable(procedure.tears.all() for procedure in knee.procedures.all()))
        return cls(
            knee=knee,
            reader=reader,
            end=end,
            tears={tear.pk: tear for tear in tears},
            tear_names={tear.pk: tear_name(number, tear) for number, tear in enumerate(tears, start=1)},
            changes=changes,
        )

    @property
    def procedures(self) -> list[Any]:
        """Its operations in order; each also says `looked_since` and `ligament_treated_since`."""
        return list(self.knee.procedures.all())

    def changes_of(self, entry: Entry) -> Changes:
        return self.changes.get((entry._meta.db_table, entry.pk), Changes())


def _changes_of(knee: Knee) -> dict[tuple[str, int], Changes]:
    """What was changed of each entry of the knee's patient; what was done in one go counts once."""
    changed = ~Q(kind=CorrectionKind.SIGNED)
    rows = (
        Correction.objects.filter(patient=knee.patient_id).order_by().values_list("entry_table", "entry_id")
    )
    found = rows.annotate(
        latest=Max("pk"),
        times=Count("act", distinct=True, filter=changed),
        last_at=Max("made_at", filter=changed),
    )
    return {(table, key): Changes(*of_entry) for table, key, *of_entry in found}
