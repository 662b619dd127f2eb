"""New rows of many people put on record at once; where one is refused, it is found, told and left out."""

from collections.abc import Sequence

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction

from registry.intake.people.building import TABLES, Made, rows_of
from registry.intake.people.placing import Places
from registry.intake.people.refusing import refuse
from registry.intake.people.settling import Settled
from registry.models import Unit, User
from registry.recording import RowsRefused, record, record_together

_ORDER = {table: place for place, table in enumerate(TABLES)}


class Writer:
    """Writes for one unit by one person, in the transaction of whoever calls."""

    def __init__(self, unit: Unit, by: User, places: Places) -> None:
        self._unit, self._by, self._places = unit, by, places
        self._surgeons = {surgeon.code: surgeon for surgeon in unit.surgeons.all()}

    def write(self, people: Sequence[Settled]) -> list[models.Model]:
        """Record what is new of these people, but for what is refused and told in their `problems`."""
        while made := self._made(people):
            try:
                with transaction.atomic():
                    record_together([each.row for each in made], self._by)
                return [each.row for each in made]
            except RowsRefused as found:
                by_row = {id(each.row): each for each in made}
                for row, problem in found.refused:
                    refuse(by_row[id(row)], problem, self._places)
            except IntegrityError:
                return self._halved(people)
        return []

    def _made(self, people: Sequence[Settled]) -> list[Made]:
        made = [
            each
            for person in people
            for entry in rows_of(person, self._unit, self._surgeons)
            for each in entry
        ]
        return sorted(made, key=lambda each: _ORDER[type(each.row)])

    def _halved(self, people: Sequence[Settled]) -> list[models.Model]:
        """The database refuses something of these people: find whom, then what."""
        if len(people) == 1:
            return self._one_by_one(people[0])
        half = len(people) // 2
        return self.write(people[:half]) + self.write(people[half:])

    def _one_by_one(self, person: Settled) -> list[models.Model]:
        """Record row after row; begin anew without an entry that is refused, until the rest is recorded."""
        while True:
            made: Made | None = None
            rows = []
            try:
                with transaction.atomic():
                    for entry in rows_of(person, self._unit, self._surgeons):
                        for made in entry:
                            record(made.row, by=self._by)
                            rows.append(made.row)
                return rows
            except (ValidationError, IntegrityError) as problem:
                if made is None:
                    raise
                refuse(made, problem, self._places)
