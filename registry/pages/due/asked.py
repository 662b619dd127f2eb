"""What a reader of Due asks for. All of it lives in the address, so a view can be kept and shared."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.http import QueryDict

from registry.models import Surgeon, Unit
from registry.pages.forms.base import Spoken
from registry.reviews import ReviewState
from registry.vocabulary import TimePoint

STATES = (ReviewState.OVERDUE, ReviewState.DUE, ReviewState.OPEN)
PLANNED = tuple(point for point in TimePoint if point is not TimePoint.UNPLANNED)
OWN = "own"


@dataclass(frozen=True, slots=True)
class Option:
    """One way to narrow the list: what it is called, where it leads, and how many lines are left then."""

    text: str
    url: str
    current: bool
    count: int | None = None


@dataclass(frozen=True, slots=True)
class Facet:
    """The options of one question, all of them first; what would leave nothing is not offered."""

    name: str
    options: list[Option]


@dataclass(frozen=True, slots=True)
class Counts:
    """How many reviews there are, by state and by time point; each as the other is chosen."""

    by_state: dict[str, int]
    by_time_point: dict[str, int]
    total: int


class Asked(Spoken, forms.Form):
    """Unit, surgeon, state and time point, as the address has them."""

    title = "Filter"
    unit = forms.ChoiceField(required=False)
    surgeon = forms.ChoiceField(required=False, choices=[(OWN, "My own operations")])
    state = forms.ChoiceField(required=False, choices=[(each, each.label) for each in STATES])
    time_point = forms.ChoiceField(required=False, choices=[(each, each.label) for each in PLANNED])

    def __init__(self, address: QueryDict, units: QuerySet[Unit]) -> None:
        super().__init__(address)
        self.address, self.units = address, units
        self.fields["unit"].choices = [(unit.code, unit.name) for unit in units]  # type: ignore[attr-defined]
        for name, field in self.fields.items():
            label = name.replace("_", " ")
            field.error_messages["invalid_choice"] = (
                f"'%(value)s' is no {label} here. Choose one of the list."
            )

    def of_these(self, rows: Any, person: Any) -> Any:
        """The rows of the unit and the surgeon asked for."""
        said = self.cleaned_data
        if said["unit"]:
            rows = rows.filter(unit_id=next(unit.pk for unit in self.units if unit.code == said["unit"]))
        if said["surgeon"] == OWN:
            rows = rows.filter(surgeon_id__in=Surgeon.objects.filter(user=person).values("pk"))
        return rows

    def chosen(self, rows: Any) -> Any:
        """The rows of the state and the time point asked for."""
        asked = {name: self.cleaned_data[name] for name in ("state", "time_point")}
        return rows.filter(**{name: value for name, value in asked.items() if value})

    def counts(self, grouped: Sequence[dict[str, Any]]) -> Counts:
        """From how many there are, `n`, of each state and time point."""
        state, time_point = self.cleaned_data["state"], self.cleaned_data["time_point"]
        of_point = [row for row in grouped if time_point in ("", row["time_point"])]
        of_state = [row for row in grouped if state in ("", row["state"])]
        return Counts(
            _summed(of_point, "state"),
            _summed(of_state, "time_point"),
            sum(row["n"] for row in of_point if state in ("", row["state"])),
        )

    def facets(self, counts: Counts) -> list[Facet]:
        """Every way to narrow the list of reviews."""
        states = [(each.value, each.label, counts.by_state.get(each, 0)) for each in STATES]
        points = [(each.value, each.label, counts.by_time_point.get(each, 0)) for each in PLANNED]
        return [
            self._facet("state", "State", states),
            self._facet("time_point", "Review after", points),
            *self.places(),
        ]

    def places(self) -> list[Facet]:
        """The ways to narrow by where and by whom; a single unit is not asked for."""
        units = [(unit.code, unit.name, None) for unit in self.units]
        by_unit = [self._facet("unit", "Unit", units)] if len(units) > 1 else []
        return [*by_unit, self._facet("surgeon", "Surgeon", [(OWN, "My own operations", None)])]

    def _facet(self, name: str, label: str, choices: Iterable[tuple[str, str, int | None]]) -> Facet:
        listed = list(choices)
        numbers = [count for _, _, count in listed if count is not None]
        everything = ("", "All", sum(numbers) if numbers else None)
        asked = self.cleaned_data[name]
        return Facet(
            label,
            [
                Option(text, self._url(name, value), current=value == asked, count=count)
                for value, text, count in (everything, *listed)
                if count != 0 or value in ("", asked)
            ],
        )

    def _url(self, name: str, value: str) -> str:
        """This list with one answer changed, from its first page."""
        answers = {each: self.cleaned_data[each] for each in self.fields} | {name: value}
        query = QueryDict(mutable=True)
        query.update({each: answer for each, answer in answers.items() if answer})
        return f"?{query.urlencode()}"


def _summed(grouped: Iterable[dict[str, Any]], name: str) -> dict[str, int]:
    counts: dict[str, int] = {}
    for row in grouped:
        counts[row[name]] = counts.get(row[name], 0) + row["n"]
    return counts
