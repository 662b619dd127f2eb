"""The further views of Survival: the same cohort and definition, another question each."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from outcomes.analyses.adjusted import COVARIATES, adjusted_result
from outcomes.analyses.competing import competing_result
from outcomes.analyses.context import Context
from outcomes.analyses.in_print import in_print_result
from outcomes.analyses.looks import looks_result
from outcomes.analyses.lost import lost_result
from outcomes.analyses.means import means_result
from outcomes.analyses.places import places_result
from outcomes.cache import remembered
from outcomes.charts import incidence, lost, means
from outcomes.charts.figure import Figure
from outcomes.charts.forest import forest_figure
from outcomes.charts.in_print import in_print_figure
from outcomes.charts.looks import looks_figure
from outcomes.charts.places import places_figure
from outcomes.pages import view_rows
from outcomes.pages.filters import Asked, NothingShownError, asked, not_given, not_shown, page_context
from outcomes.pages.survival_form import SurvivalForm, UnsplitForm, UnturnedForm
from outcomes.strata import MENISCUS, STRATA, ZONE, Stratum
from outcomes.survival import Counted, count_cohort
from registry.access import Action, require
from registry.pages.csv_file import csv_file

TEMPLATE = "outcomes/view.html"
CURVES = ""

Columns = Sequence[str]
Rows = Iterable[Sequence[object]]
Of = Asked[SurvivalForm]
_Result = TypeVar("_Result")


@dataclass(frozen=True, slots=True)
class Answer:
    """What a view shows: its figures, and their numbers at full precision."""

    figures: list[Figure]
    columns: Columns
    rows: Rows
    not_split: str = ""


@dataclass(frozen=True, slots=True)
class View:
    """One question put to a cohort, under the last part of its address."""

    label: str
    asks: str
    form: type[SurvivalForm]
    answer: Callable[[Of, str], Answer]


def view(request: HttpRequest, view: str) -> HttpResponse:
    """The figures of one view."""
    units = require(request.user, Action.SEE_FIGURES)
    chosen = _known(view)
    try:
        of = asked(request, units, chosen.form)
        address = reverse("survival_view_csv", args=[view])
        answer = chosen.answer(of, f"{address}?{of.query}")
    except NothingShownError as refusal:
        return not_shown(request, TEMPLATE, refusal, view=chosen)
    context = {
        "view": chosen,
        "views": view_links(view, of.query),
        "figures": answer.figures,
        "not_split": answer.not_split,
    }
    return render(request, TEMPLATE, page_context(of) | context)


def view_csv(request: HttpRequest, view: str) -> HttpResponse:
    """The numbers of one view at full precision."""
    units = require(request.user, Action.SEE_FIGURES)
    chosen = _known(view)
    try:
        answer = chosen.answer(asked(request, units, chosen.form), "")
    except NothingShownError as refusal:
        return not_given(refusal)
    return csv_file(f"survival-{view}", answer.columns, answer.rows)


def view_links(current: str, query: str) -> list[dict[str, Any]]:
    """A link to each view of the same cohort, the current one marked."""
    addresses = {CURVES: ("Curves", reverse("survival"))} | {
        slug: (view.label, reverse("survival_view", args=[slug])) for slug, view in VIEWS.items()
    }
    return [
        {"label": label, "url": f"{address}?{query}" if query else address, "current": slug == current}
        for slug, (label, address) in addresses.items()
    ]


def _known(slug: str) -> View:
    if slug not in VIEWS:
        raise Http404
    return VIEWS[slug]


# --- what each view answers -------------------------------------------------------------------


def _counted(of: Of, *strata: Stratum) -> tuple[Counted, Context]:
    counted = count_cohort(of.cohort, of.units, of.definition, strata, of.closed_on)
    return counted, Context.of(of.sentence, of.definition, of.closed_on, counted)


def _remembered(of: Of, what: str, strata: Sequence[Stratum], compute: Callable[[], _Result]) -> _Result:
    """What takes seconds is worked out once for each state of the record."""
    units = tuple(sorted(unit.pk for unit in of.units))
    split = tuple(stratum.code for stratum in strata)
    parts = (of.cohort, units, of.definition.code, of.closed_on, split)
    return remembered(f"view {what}", parts, compute)


def _competing(of: Of, csv_url: str) -> Answer:
    strata = [of.form.stratum] if of.form.stratum else []
    of.must_split(*strata)
    counted, context = _counted(of, *strata)
    result = competing_result(counted, context, of.form.stratum)
    figures = [incidence.incidence_figure(result, csv_url)] if result.courses else []
    return Answer(figures, incidence.CSV_COLUMNS, incidence.incidence_steps(result))


def _looks(of: Of, csv_url: str) -> Answer:
    _, context = _counted(of)
    repairs = of.cohort.repairs(of.units)
    result = _remembered(of, "looks", (), lambda: looks_result(repairs, context))
    figures = [looks_figure(result, csv_url)] if result.n else []
    return Answer(figures, view_rows.LOOKS, view_rows.looks_rows(result))


def _means(of: Of, csv_url: str) -> Answer:
    strata, not_split = of.joined_splits(of.form.strata)
    counted, context = _counted(of, *strata)
    results = [means_result(counted, stratum, context) for stratum in strata] if context.n else []
    figures = [means.means_figure(result, csv_url) for result in results]
    rows = ((result.stratum_code, *row) for result in results for row in means.means_rows(result))
    return Answer(figures, ("split", *means.CSV_COLUMNS), rows, not_split)


def _lost(of: Of, csv_url: str) -> Answer:
    counted, context = _counted(of)
    result = lost_result(counted, context)
    figures = [lost.lost_figure(result, csv_url)] if context.n else []
    return Answer(figures, lost.CSV_COLUMNS, lost.lost_rows(result))


def _adjusted(of: Of, csv_url: str) -> Answer:
    asked_for = [of.form.stratum.code] if of.form.stratum else []
    wanted = [STRATA[code] for code in dict.fromkeys((*COVARIATES, *asked_for))]
    strata, not_split = of.splits(wanted)
    counted, context = _counted(of, *strata)
    if not strata or not context.n:
        return Answer([], view_rows.ADJUSTED, (), not_split)
    codes = [stratum.code for stratum in strata]
    result = _remembered(of, "adjusted", strata, lambda: adjusted_result(counted, codes, context))
    rows = view_rows.adjusted_rows(result)
    return Answer([forest_figure(result, csv_url)], view_rows.ADJUSTED, rows, not_split)


def _in_print(of: Of, csv_url: str) -> Answer:
    counted, context = _counted(of)
    result = in_print_result(counted, context, of.cohort)
    figures = [in_print_figure(result, csv_url)] if context.n else []
    return Answer(figures, view_rows.IN_PRINT, view_rows.in_print_rows(result))


def _places(of: Of, csv_url: str) -> Answer:
    _, not_split = of.splits([MENISCUS, ZONE])
    if not_split:
        return Answer([], view_rows.PLACES, (), not_split)
    _, context = _counted(of)
    result = places_result(of.cohort.repairs(of.units), of.definition, context)
    figures = [places_figure(result, csv_url)] if context.n else []
    return Answer(figures, view_rows.PLACES, view_rows.places_rows(result))


VIEWS: dict[str, View] = {
    "competing": View(
        "Competing events",
        "What ends a repair first: failure, death, a knee replacement, or another tear of that meniscus?",
        UnturnedForm,
        _competing,
    ),
    "looks": View(
        "Found at a look",
        "What if a failure seen at a look or visit happened some time before it was seen?",
        UnsplitForm,
        _looks,
    ),
    "means": View(
        "Mean time", "How long do repairs last on average, up to the same day?", UnturnedForm, _means
    ),
    "adjusted": View(
        "Adjusted",
        "By how much do repairs differ, each way of splitting them with the others held equal? A further "
        "split joins the model.",
        UnturnedForm,
        _adjusted,
    ),
    "lost": View(
        "If the lost failed", "How far could those lost to follow-up change the picture?", UnsplitForm, _lost
    ),
    "in-print": View(
        "In print", "Where do published figures stand beside this cohort?", UnsplitForm, _in_print
    ),
    "places": View("Places", "Where on the meniscus do repairs fail?", UnsplitForm, _places),
}
