"""Completeness: of how many operations all is on record that should be, by unit, surgeon and requirement."""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from django import forms
from django.db.models import Case, F, IntegerField, Min, QuerySet, When
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.text import capfirst

from registry.access import Action, require, results_shown
from registry.completeness import COUNTED, REQUIREMENTS, Share, complete_by_quarter, shares
from registry.models import IndexProcedure, Surgeon, Unit
from registry.pages.csv_file import csv_file
from registry.pages.tables import Table, at_least
from registry.rules.quarter import Quarter, up_to

QUARTERS = 8
OTHERS = "Others, not named"
CSV_COLUMNS = ("period", "asked", "complete", "share")

Operations = QuerySet[IndexProcedure]


class Filter(forms.Form):
    """Unit and period; both live in the address."""

    unit = forms.ModelChoiceField(
        Unit.objects.none(), to_field_name="code", required=False, empty_label="All that I see"
    )
    until = forms.ChoiceField(required=False, label="Eight quarters to")

    def __init__(self, asked: Any, units: QuerySet[Unit]) -> None:
        super().__init__(asked)
        self.fields["unit"].queryset = units  # type: ignore[attr-defined]
        self.fields["until"].choices = [(each.code, str(each)) for each in _quarters(units)]  # type: ignore[attr-defined]

    @property
    def quarters(self) -> list[Quarter]:
        """The eight quarters asked for, in order; the latest ones unless told otherwise."""
        chosen = self.cleaned_data["until"]
        last = Quarter(int(chosen[:4]), int(chosen[-1])) if chosen else Quarter.of(timezone.localdate())
        return up_to(last, QUARTERS)


def _quarters(units: QuerySet[Unit]) -> list[Quarter]:
    """Every quarter since the first operation of these units, the present one first."""
    now = Quarter.of(timezone.localdate())
    first_day = IndexProcedure.objects.filter(unit__in=units).aggregate(day=Min("operated_on"))["day"]
    first = Quarter.of(first_day) if first_day else now
    count = 4 * (now.year - first.year) + now.number - first.number + 1
    return up_to(now, max(count, 1))[::-1]


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a breakdown: its share in each column, told from `smallest` rows on."""

    label: str
    shares: list[Share]
    smallest: int


@dataclass(frozen=True, slots=True)
class Breakdown:
    """Shares complete, split one way."""

    code: str
    title: str
    head: str
    columns: list[str]
    rows: list[Row]
    csv_url: str = ""

    @property
    def table(self) -> Table:
        rows = [[row.label, *(_cell(share, row.smallest) for share in row.shares)] for row in self.rows]
        return Table(self.title, [self.head, *self.columns], rows)

    def csv_rows(self) -> Iterable[tuple[object, ...]]:
        for row in self.rows:
            for column, share in zip(self.columns, row.shares, strict=True):
                yield (row.label, column, *_plain(share, row.smallest))


def _cell(share: Share, smallest: int) -> str:
    if share.asked == 0:
        return "none"
    if share.asked < smallest:
        return at_least(share.asked, smallest)
    return f"{100 * share.present / share.asked:.1f} % of {share.asked}"


def _plain(share: Share, smallest: int) -> tuple[object, ...]:
    if 0 < share.asked < smallest:
        return (at_least(share.asked, smallest), "", "")
    return (share.asked, share.present, share.present / share.asked if share.asked else "")


# --- pages ------------------------------------------------------------------------------------


def completeness(request: HttpRequest) -> HttpResponse:
    """Three breakdowns of the operations of eight quarters."""
    units = require(request.user, Action.SEE_RECORD)
    asked = Filter(request.GET, units)
    known = asked.is_valid()
    context = {
        "filter": asked,
        "over_time": [_by_unit(request, asked, units), _by_surgeon(request, asked, units)] if known else [],
        "by_requirement": _by_requirement(request, asked, units) if known else None,
        "counted": [capfirst(each.label) for each in COUNTED],
        "told_only": [capfirst(each.label) for each in REQUIREMENTS if not each.counted],
    }
    return render(request, "registry/completeness.html", context, status=200 if known else 400)


def completeness_csv(request: HttpRequest, breakdown: str) -> HttpResponse:
    """One breakdown, one line for each share."""
    units = require(request.user, Action.SEE_RECORD)
    asked = Filter(request.GET, units)
    if breakdown not in BREAKDOWNS or not asked.is_valid():
        raise Http404
    found = BREAKDOWNS[breakdown](request, asked, units)
    return csv_file(f"completeness-by-{breakdown}", (found.code, *CSV_COLUMNS), found.csv_rows())


# --- breakdowns -------------------------------------------------------------------------------


def _by_unit(request: HttpRequest, asked: Filter, units: QuerySet[Unit]) -> Breakdown:
    chosen = _chosen(asked, units)
    counted = _counted(_operations(asked, units), "unit", asked.quarters)
    rows = [Row(unit.name, counted[unit.pk], unit.smallest_count_shown) for unit in chosen]
    return _over_time(request, "unit", "Complete operations by unit", rows, asked)


def _by_surgeon(request: HttpRequest, asked: Filter, units: QuerySet[Unit]) -> Breakdown:
    """Surgeons by name where the reader may see their results, all others in one row."""
    person: Any = request.user
    named = When(results_shown(person, ""), then=F("lead_surgeon"))
    operations = _operations(asked, units).annotate(by=Case(named, default=None, output_field=IntegerField()))
    counted = _counted(operations, "by", asked.quarters)
    names: dict[int | None, str] = dict(
        Surgeon.ever.filter(pk__in=[key for key in counted if key]).values_list("pk", "name")
    )
    names[None] = OTHERS
    in_order = sorted(counted, key=lambda key: (key is None, names[key]))
    smallest = _smallest(_chosen(asked, units))
    rows = [Row(names[key], counted[key], smallest) for key in in_order]
    return _over_time(request, "surgeon", "Complete operations by lead surgeon", rows, asked)


def _by_requirement(request: HttpRequest, asked: Filter, units: QuerySet[Unit]) -> Breakdown:
    found = shares(_operations(asked, units))
    smallest = _smallest(_chosen(asked, units))
    rows = [Row(_label(each), [found[each.code]], smallest) for each in REQUIREMENTS]
    title = f"On record, by what was asked, {_period(asked)}"
    return Breakdown("requirement", title, "Asked", ["On record"], rows, _csv_url(request, "requirement"))


def _label(requirement: Any) -> str:
    of_part = {"tear": " (tears)", "repair": " (repairs)"}.get(requirement.of.value, "")
    return f"{capfirst(requirement.label)}{of_part}{'' if requirement.counted else ', not counted'}"


BREAKDOWNS: dict[str, Callable[[HttpRequest, Filter, QuerySet[Unit]], Breakdown]] = {
    "unit": _by_unit,
    "surgeon": _by_surgeon,
    "requirement": _by_requirement,
}


def _over_time(request: HttpRequest, code: str, title: str, rows: list[Row], asked: Filter) -> Breakdown:
    columns = [*map(str, asked.quarters), "All eight"]
    return Breakdown(code, title, code.capitalize(), columns, rows, _csv_url(request, code))


def _csv_url(request: HttpRequest, code: str) -> str:
    return f"{reverse('completeness_csv', args=[code])}?{request.GET.urlencode()}"


def _period(asked: Filter) -> str:
    return f"{asked.quarters[0]} to {asked.quarters[-1]}"


def _chosen(asked: Filter, units: QuerySet[Unit]) -> list[Unit]:
    unit = asked.cleaned_data["unit"]
    return [unit] if unit else list(units)


def _smallest(units: list[Unit]) -> int:
    """The largest of the limits of units told together."""
    return max(unit.smallest_count_shown for unit in units)


def _operations(asked: Filter, units: QuerySet[Unit]) -> Operations:
    first, last = asked.quarters[0], asked.quarters[-1]
    return IndexProcedure.objects.filter(
        unit__in=_chosen(asked, units),
        operated_on__gte=first.first_day,
        operated_on__lt=last.plus(1).first_day,
    )


def _counted(operations: Operations, group: str, quarters: list[Quarter]) -> dict[Any, list[Share]]:
    """For each value of `group` its share in every quarter, then in all of them together."""
    none = Share(0, 0)
    found: dict[Any, dict[Quarter, Share]] = defaultdict(dict)
    for row in complete_by_quarter(operations, group):
        found[row[group]][Quarter.of(row["quarter"])] = Share(row["asked"], row["lacking"])
    counted: dict[Any, list[Share]] = defaultdict(lambda: [none] * (len(quarters) + 1))
    for key, by_quarter in found.items():
        in_order = [by_quarter.get(quarter, none) for quarter in quarters]
        together = Share(sum(each.asked for each in in_order), sum(each.lacking for each in in_order))
        counted[key] = [*in_order, together]
    return counted
