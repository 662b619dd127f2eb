"""What a file told, counted by kind and standing. Pure."""

from collections.abc import Iterable

from registry.intake.columns.meaning import MeantRow
from registry.intake.people.assembling import Assembled, numbers_of
from registry.intake.people.comparing import written
from registry.intake.people.settling import Settled
from registry.intake.people.told import events_in, parts_of, place_of, plain_number, tells_operation
from registry.intake.report import Counts, Standing, no_counts
from registry.models import Identity


def counted(whole: Assembled, people: Iterable[Settled]) -> Counts:
    """Everything told, by kind and standing; of refused rows, what no sound row tells."""
    counts = no_counts()
    for each in people:
        if each.operations or each.events or each.patient is not Standing.REFUSED:
            counts["patients"][each.patient] += 1
        for key, standing in each.operations.items():
            counts["operations"][standing] += 1
            counts["tears"][standing] += len(each.person.operations[key].tears)
        for standing in each.events.values():
            counts["events"][standing] += 1
    _count_refused(whole, counts)
    return counts


def _count_refused(whole: Assembled, counts: Counts) -> None:
    patients, operations = set(), set()
    for row in whole.refused:
        parts, number = parts_of(row), plain_number(row.values.get("patient.hospital_number", ""))
        if number and number not in whole.people:
            patients.add(number)
        counts["events"][Standing.REFUSED] += len(events_in(parts))
        if tells_operation(row, parts):
            counts["tears"][Standing.REFUSED] += len(numbers_of(parts, "tear", "repair", "passes"))
            key = (row.values.get("knee.side", ""), row.values.get("operation.operated_on"))
            person = whole.people.get(number)
            if person is None or key not in person.operations:
                operations.add((number, key) if number and all(key) else place_of(row))
    counts["patients"][Standing.REFUSED] += len(patients)
    counts["operations"][Standing.REFUSED] += len(operations)


def idle_rows(whole: Assembled) -> list[MeantRow]:
    """Sound rows of people of whom the file tells neither operation nor event."""
    return [row for row in whole.idle if not _is_told_of(whole, row)]


def _is_told_of(whole: Assembled, row: MeantRow) -> bool:
    person = whole.people[plain_number(row.values["patient.hospital_number"])]
    return bool(person.operations or person.events)


def unchanged(people: Iterable[Settled]) -> int:
    """Of how many patients on record the file says what the record does not, sex and birth apart."""
    return sum(
        any(
            getattr(each.known.patient, name) != value
            for name, value in written(each.person.patient).items()
            if name not in (*Identity.FIELDS, "sex", "born_on", "born_year")
        )
        for each in people
        if each.known.patient and each.patient is Standing.ON_RECORD
    )
