"""Stories made ready for the database, some patients at a time: by any process, without a connection."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import islice

from registry import bulk
from registry.bulk import Table
from registry.demo.mending import Mend
from registry.demo.people import Staff
from registry.demo.rows import Rows
from registry.demo.scenario import Scenario
from registry.demo.story import PatientStory
from registry.models import Contact, Identity, Patient, ScoreResponse, Visit

PATIENTS_AT_ONCE = 500
# Keys of each table that a part may use, so that its rows are the same whatever the parts before it held:
# more than its patients need on average, and some to spare.
KEYS_A_PATIENT: Mapping[Table, int] = {Patient: 1, Identity: 1, Visit: 4, Contact: 4, ScoreResponse: 9}
KEYS_OF_OTHERS, KEYS_TO_SPARE = 2, 500


@dataclass(frozen=True, slots=True)
class Batch:
    """Rows of some patients, each table after those it refers to, and what of them is to be put right."""

    tables: tuple[bulk.Ready, ...]
    mends: tuple[Mend, ...]


@dataclass(frozen=True, slots=True)
class Order:
    """What whoever tells a part has to know; `last_keys` are those in use before the first part."""

    scenario: Scenario
    staff: Staff
    last_keys: Mapping[Table, int]
    as_copy: bool


def batches(stories: Iterable[PatientStory], rows: Rows, as_copy: bool) -> Iterator[Batch]:
    """Batches of PATIENTS_AT_ONCE patients, of which memory holds one at a time."""
    told = iter(stories)
    while chunk := list(islice(told, PATIENTS_AT_ONCE)):
        for story in chunk:
            rows.tell(story)
        kept, mends = rows.take()
        yield Batch(tuple(bulk.ready(table, each, as_copy) for table, each in kept.items()), mends)


def part_in_batches(order: Order, part: int) -> list[Batch]:
    """All batches of a part; its keys follow from its number alone.

    Raises
    ------
    ValueError
        The part has more rows of a table than it has keys.
    """
    patients = order.scenario.patients_a_part
    room = {
        table: patients * KEYS_A_PATIENT.get(table, KEYS_OF_OTHERS) + KEYS_TO_SPARE
        for table in order.last_keys
    }
    last_keys = {table: last + part * room[table] for table, last in order.last_keys.items()}
    told = list(batches(order.scenario.part(part), Rows(order.staff, last_keys), order.as_copy))
    used = Counter[Table]()
    for batch in told:
        used.update({each.table: each.number for each in batch.tables})
    for table, number in used.items():
        if number > room[table]:
            keys = f"keys for {room[table]:,} only"
            raise ValueError(f"Part {part} has {number:,} rows of {table.__name__}, {keys}.")
    return told
