"""Repairs: every repair one may see, one line each, with where it stands."""

from typing import Any, ClassVar
from urllib.parse import urlencode

import django_filters
from django import forms
from django.core.paginator import Paginator
from django.db.models import Case, F, QuerySet, Value, When
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from outcomes.standing import Standing, standings
from outcomes.strata import LIGAMENT_SURGERY, ZONE
from registry.access import Action, require, results_shown, surgeons_shown, units_for
from registry.models import Repair, Surgeon, Unit, User
from registry.vocabulary import Augmentation, LigamentSurgery, Meniscus, Pattern

PAGE_SIZE = 50
# What the list may be sorted by: code in the address, label, and the columns that decide.
Sorts = dict[str, tuple[str, tuple[str, ...]]]
SORTS: Sorts = {
    "operated": ("Operated", ("tear__procedure__operated_on",)),
    "meniscus": ("Meniscus", ("tear__meniscus",)),
    "pattern": ("Tear", ("tear__pattern",)),
    "zone": ("Zone", ("tear__vascular_zone",)),
    "surgeon": ("Surgeon", ("surgeon",)),
}
DEFAULT_SORT = "-operated"
# How a surgeon is called whose results the reader may not see by name.
UNNAMED = "Colleague"


def _day(lookup: str, label: str) -> django_filters.DateFilter:
    return django_filters.DateFilter(
        field_name="tear__procedure__operated_on",
        lookup_expr=lookup,
        label=label,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )


class RepairFilter(django_filters.FilterSet):
    """Filters of the list; each lives in the address."""

    unit = django_filters.ModelChoiceFilter(
        field_name="tear__procedure__unit",
        to_field_name="code",
        queryset=lambda request: _units(request),
        label="Unit",
    )
    surgeon = django_filters.ModelChoiceFilter(
        method="led_by",
        to_field_name="code",
        queryset=lambda request: surgeons_shown(request.user),
        label="Lead surgeon",
    )
    meniscus = django_filters.ChoiceFilter(
        field_name="tear__meniscus", choices=Meniscus.choices, label="Meniscus"
    )
    pattern = django_filters.ChoiceFilter(field_name="tear__pattern", choices=Pattern.choices, label="Tear")
    zone = django_filters.ChoiceFilter(choices=list(ZONE.levels.items()), label="Zone")
    ligament = django_filters.ChoiceFilter(choices=LigamentSurgery.choices, label="Ligament surgery")
    augmentation = django_filters.ChoiceFilter(choices=Augmentation.choices, label="Augmentation")
    since = _day("gte", "Operated from")
    until = _day("lte", "Operated to")

    class Meta:
        model = Repair
        fields: ClassVar[list[str]] = []

    def led_by(self, repairs: QuerySet[Repair], _: str, surgeon: Surgeon) -> QuerySet[Repair]:
        """The repairs of a surgeon that go by name; the others would tell what the column does not."""
        shown = results_shown(self.request.user, "tear__procedure__")
        return repairs.filter(shown, tear__procedure__lead_surgeon=surgeon)


def repairs(request: HttpRequest) -> HttpResponse:
    """The list, filtered, sorted and paged."""
    units = require(request.user, Action.SEE_RECORD)
    assert isinstance(request.user, User)  # noqa: S101 - require() let nobody else pass
    filtered = RepairFilter(request.GET, queryset=_rows(request.user, units), request=request)
    listed = filtered.qs if filtered.is_valid() else Repair.objects.none()
    sorts = _sorts(request.user)
    sort, order = _order(request.GET.get("sort", ""), sorts)
    page = Paginator(listed.order_by(*order), PAGE_SIZE).get_page(request.GET.get("page"))
    shown = list(page.object_list)
    known = standings(shown)
    context = {
        "filter": filtered,
        "page": page,
        "query": _query(request, drop="page"),
        "sort_links": _sort_links(request, sort, sorts),
        "sorts_by_surgeon": "surgeon" in sorts,
        "rows": [_row(repair, known[repair.pk]) for repair in shown],
    }
    response = render(request, "outcomes/repairs.html", context, status=200 if filtered.is_valid() else 400)
    response["Cache-Control"] = "no-store"
    return response


def _row(repair: Any, standing: Standing) -> dict[str, Any]:
    return {"repair": repair, "standing": standing, "ligament": LigamentSurgery(repair.ligament).label}


def _rows(person: User, units: QuerySet[Unit]) -> QuerySet[Repair]:
    named = When(results_shown(person, "tear__procedure__"), then=F("tear__procedure__lead_surgeon__name"))
    return (
        # By key: of a subquery the database knows too little to walk an index in the order of the list.
        Repair.objects.filter(tear__procedure__unit__in=[unit.pk for unit in units])
        .select_related("tear__procedure__knee__patient", "tear__procedure__unit")
        .annotate(
            zone=ZONE.expression,
            ligament=LIGAMENT_SURGERY.expression,
            surgeon=Case(named, default=Value(UNNAMED)),
        )
    )


def _units(request: HttpRequest) -> QuerySet[Unit]:
    return units_for(request.user, Action.SEE_RECORD)


def _sorts(person: User) -> Sorts:
    """The sorts offered: by surgeon only to who sees another's results by name."""
    sees_others = surgeons_shown(person).exclude(user=person).exists()
    return {code: sort for code, sort in SORTS.items() if code != "surgeon" or sees_others}


def _order(asked: str, sorts: Sorts) -> tuple[str, list[str]]:
    """The sort asked for if it is on the list, else the default; ties broken by key, so paging is stable."""
    sort = asked if asked.removeprefix("-") in sorts else DEFAULT_SORT
    sign = "-" if sort.startswith("-") else ""
    columns = sorts[sort.removeprefix("-")][1]
    return sort, [*(sign + column for column in columns), f"{sign}pk"]


def _sort_links(request: HttpRequest, sort: str, sorts: Sorts) -> list[dict[str, Any]]:
    kept = _query(request, drop="sort")
    links = []
    for code, (label, _) in sorts.items():
        direction = {code: "ascending", f"-{code}": "descending"}.get(sort, "")
        target = f"-{code}" if direction == "ascending" else code
        url = f"?{kept}{'&' if kept else ''}sort={target}"
        links.append({"label": label, "direction": direction, "url": url})
    return links


def _query(request: HttpRequest, drop: str) -> str:
    kept = [
        (key, value) for key, values in request.GET.lists() if key not in (drop, "page") for value in values
    ]
    return urlencode(kept)
