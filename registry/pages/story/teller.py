"""What every part of a Knee story needs: the knee with all its rows, its tears by name, and its reader."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Any, Self

from django.db.models import BooleanField, Count, ExpressionWrapper, Prefetch, Q, prefetch_related_objects

from registry.access import Action, knees_for, units_for
from registry.completeness import ligament_treated_since, looked_since
from registry.models import Correction, EndOfFollowUp, Entry, IndexProcedure, Knee, Tear, User
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
    "looks__findings",
    "looks__soft_answers",
    "imaging__findings",
    "reoperations__on_tears",
    *(f"{rows}__recorded_by" for rows in (
        "visits", "looks", "imaging", "reoperations", "complications", "contacts", "scores"
    )),
)  # fmt: skip
COUNTED_CORRECTIONS = (CorrectionKind.CORRECTED, CorrectionKind.ADDED)


@dataclass(frozen=True, slots=True)
class Reader:
    """Who reads: in which units they see the record, whom they know by name, and what they may do."""

    person: int
    units: set[int]
    known_people: set[int]
    operates_in: set[int]
    may_operate: bool
    may_record: bool

    @classmethod
    def of(cls, person: Any, knee: Knee) -> Self:
        units = set(units_for(person, Action.SEE_RECORD).values_list("pk", flat=True))
        people = User.objects.filter(memberships__unit__in=units)
        return cls(
            person=person.pk,
            units=units,
            known_people=set(people.values_list("pk", flat=True)),
            operates_in=set(units_for(person, Action.RECORD_OPERATION).values_list("pk", flat=True)),
            may_operate=knees_for(person, Action.RECORD_OPERATION).filter(pk=knee.pk).exists(),
            may_record=knees_for(person, Action.RECORD_FOLLOW_UP).filter(pk=knee.pk).exists(),
        )

    def corrects(self, procedure: IndexProcedure) -> bool:
        """Whether the reader may change this operation: who operates in its unit."""
        return procedure.unit_id in self.operates_in

    def signs(self, procedure: IndexProcedure) -> bool:
        """Whether the note is the reader's own to sign: who led, or repaired, and still operates."""
        surgeons = (procedure.lead_surgeon, procedure.repaired_by)
        return self.may_operate and self.person in [who.user_id for who in surgeons if who]

    def name_of(self, user: User) -> str:
        """A person by name when they work where the reader does."""
        return user.get_full_name() or user.username if user.pk in self.known_people else "another unit"


@dataclass(frozen=True, slots=True)
class Teller:
    """One knee fetched whole, and who is told of it."""

    knee: Knee
    reader: Reader
    end: EndOfFollowUp | None
    tears: dict[int, Tear]
    tear_names: dict[int, str]
    corrected: Counter[tuple[str, int]]

    @classmethod
    def of(cls, knee: Knee, reader: Reader) -> Self:
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
            corrected=_times_corrected([*entries_of(knee), *([end] if end else [])]),
        )

    @property
    def procedures(self) -> list[Any]:
        """Its operations in order; each also says `looked_since` and `ligament_treated_since`."""
        return list(self.knee.procedures.all())


def entries_of(knee: Knee) -> Iterator[Entry]:
    """Every standing entry of a knee fetched with READS."""
    for rows in (
        "procedures",
        "visits",
        "looks",
        "imaging",
        "reoperations",
        "complications",
        "contacts",
        "scores",
    ):
        yield from getattr(knee, rows).all()


def _times_corrected(entries: list[Entry]) -> Counter[tuple[str, int]]:
    """How often each entry was corrected, by table and key; what was done in one go counts once."""
    tables: dict[str, list[int]] = {}
    for entry in entries:
        tables.setdefault(entry._meta.db_table, []).append(entry.pk)
    of_entries = Q(pk__in=())
    for table, keys in tables.items():
        of_entries |= Q(entry_table=table, entry_id__in=keys)
    rows = Correction.objects.filter(of_entries, kind__in=COUNTED_CORRECTIONS).order_by()
    counted = rows.values_list("entry_table", "entry_id").annotate(times=Count("act", distinct=True))
    return Counter({(table, key): times for table, key, times in counted})
