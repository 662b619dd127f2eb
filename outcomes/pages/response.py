"""Response: of the planned reviews that are settled, the share answered, by time point, unit and surgeon."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone

from outcomes import wording
from outcomes.estimators.cautions import incomplete_follow_up
from outcomes.estimators.follow_up import COMPLETENESS_METHOD, COMPLETENESS_REFERENCE
from outcomes.estimators.rates import PROPORTION_METHOD, PROPORTION_REFERENCE
from outcomes.response import EARLY, NONE, WHO_ANSWERS, Period, Response, followed, responses, settled
from registry.access import Action, require
from registry.models import Surgeon, Unit
from registry.pages.csv_file import csv_file
from registry.pages.forms.base import Spoken
from registry.pages.tables import Table
from registry.vocabulary import TimePoint

OTHERS, ALL = "Others, not named", "All"
COLUMNS = ("Settled", "Answered", "Given up", "Share answered (95 % interval)")
CSV_COLUMNS = ("settled", "answered", "given_up", "share", "lower_95", "upper_95")


class Filter(Spoken, forms.Form):
    """Unit and days of operation; all live in the address."""

    unit = forms.ModelChoiceField(
        Unit.objects.none(), to_field_name="code", required=False, empty_label="All that I see"
    )
    since = forms.DateField(required=False, label="Operated from")
    until = forms.DateField(required=False, label="Operated to")

    def __init__(self, asked: Any, units: QuerySet[Unit]) -> None:
        super().__init__(asked)
        self.fields["unit"].queryset = units  # type: ignore[attr-defined]

    def clean(self) -> None:
        said = self.cleaned_data
        since, until = said.get("since"), said.get("until")
        if since and until and until < since:
            words = f"{until:%Y-%m-%d} lies before Operated from, {since:%Y-%m-%d}. Correct one of them."
            self.add_error("until", words)

    @property
    def period(self) -> Period:
        return Period(self.cleaned_data["since"], self.cleaned_data["until"])


@dataclass(frozen=True, slots=True)
class Row:
    """One line: a group's response; below `smallest` settled reviews it is told by counts alone."""

    label: str
    response: Response
    smallest: int

    @property
    def cells(self) -> list[str]:
        found = self.response
        return [self.label, str(found.asked), str(found.answered), str(found.given_up), self._share]

    @property
    def _share(self) -> str:
        rate = self.response.rate
        if rate.estimate is None or rate.lower is None or rate.upper is None:
            return "-"
        if self._is_small:
            return wording.TOO_FEW
        return wording.with_limits(rate.estimate, rate.lower, rate.upper)

    @property
    def csv(self) -> tuple[object, ...]:
        found, rate = self.response, self.response.rate
        shares = ("", "", "") if self._is_small else (rate.estimate, rate.lower, rate.upper)
        return (self.label, found.asked, found.answered, found.given_up, *shares)

    @property
    def _is_small(self) -> bool:
        return self.response.asked < self.smallest or self.response.rate.counts_only


@dataclass(frozen=True, slots=True)
class Breakdown:
    """The response split one way."""

    code: str
    title: str
    rows: list[Row]
    csv_url: str

    @property
    def table(self) -> Table:
        return Table(self.title, [self.code.capitalize(), *COLUMNS], [row.cells for row in self.rows])


# --- pages ------------------------------------------------------------------------------------


def response(request: HttpRequest) -> HttpResponse:
    """Response three ways, and how completely the same repairs were followed."""
    units = require(request.user, Action.SEE_RECORD)
    asked = Filter(request.GET, units)
    context: dict[str, Any] = {"filter": asked}
    if asked.is_valid():
        today = timezone.localdate()
        share = followed(_chosen(asked, units), asked.period, today)
        incomplete = incomplete_follow_up(share)
        context |= {
            "breakdowns": _breakdowns(request, asked, units, today),
            "followed": wording.percent(share),
            "cautions": [EARLY, WHO_ANSWERS, *([incomplete.sentence] if incomplete else [])],
            "methods": [
                f"{PROPORTION_METHOD} {PROPORTION_REFERENCE}",
                f"{COMPLETENESS_METHOD} {COMPLETENESS_REFERENCE}",
            ],
        }
    return render(request, "outcomes/response.html", context, status=200 if asked.is_valid() else 400)


def response_csv(request: HttpRequest, breakdown: str) -> HttpResponse:
    """One breakdown, one line a group, shares at full precision."""
    units = require(request.user, Action.SEE_RECORD)
    asked = Filter(request.GET, units)
    if breakdown not in TITLES or not asked.is_valid():
        raise Http404
    found = {each.code: each for each in _breakdowns(request, asked, units, timezone.localdate())}
    rows = (row.csv for row in found[breakdown].rows)
    return csv_file(f"response-by-{breakdown}", (breakdown, *CSV_COLUMNS), rows)


# --- breakdowns -------------------------------------------------------------------------------

TITLES = {"review": "Response by review", "unit": "Response by unit", "surgeon": "Response by lead surgeon"}


def _chosen(asked: Filter, units: QuerySet[Unit]) -> QuerySet[Unit]:
    unit = asked.cleaned_data["unit"]
    return units.filter(pk=unit.pk) if unit else units


def _breakdowns(request: HttpRequest, asked: Filter, units: QuerySet[Unit], today: date) -> list[Breakdown]:
    person: Any = request.user
    chosen = list(_chosen(asked, units))
    counts = settled(_chosen(asked, units), asked.period, person, today)
    smallest = max(unit.smallest_count_shown for unit in chosen)

    def breakdown(code: str, rows: list[Row]) -> Breakdown:
        url = f"{reverse('response_csv', args=[code])}?{request.GET.urlencode()}"
        return Breakdown(code, TITLES[code], rows, url)

    by_point = responses(counts, lambda each: each.time_point)
    by_unit = responses(counts, lambda each: each.unit_id)
    by_surgeon = responses(counts, lambda each: each.surgeon_id)
    together = responses(counts, lambda each: ALL).get(ALL, NONE)
    points = [Row(str(each.label), by_point[each], smallest) for each in TimePoint if each in by_point]
    places = [Row(unit.name, by_unit.get(unit.pk, NONE), unit.smallest_count_shown) for unit in chosen]
    return [
        breakdown("review", [*points, Row(ALL, together, smallest)]),
        breakdown("unit", places),
        breakdown("surgeon", _by_surgeon(by_surgeon, smallest)),
    ]


def _by_surgeon(found: dict[int | None, Response], smallest: int) -> list[Row]:
    """Surgeons by name where the reader may see their results, all others in one row."""
    keys = [key for key in found if key]
    names: dict[int | None, str] = dict(Surgeon.ever.filter(pk__in=keys).values_list("pk", "name"))
    names[None] = OTHERS
    in_order = sorted(found, key=lambda key: (key is None, names[key], key or 0))
    return [Row(names[key], found[key], smallest) for key in in_order]
