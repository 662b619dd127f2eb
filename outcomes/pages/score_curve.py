"""The score curves of a knee: a fragment that the Knee story embeds, a page without script, and as CSV."""

from collections import defaultdict
from collections.abc import Iterator
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from outcomes.charts.score_answers import Intervention, Mark, ScoreAnswer, ScoreCurve
from outcomes.charts.score_curve import score_figure
from registry.access import knee_for
from registry.models import Knee, ScoreResponse
from registry.pages.csv_file import csv_file
from registry.scoring import INSTRUMENTS

CSV_COLUMNS = (
    "instrument",
    "version",
    "answered_on",
    "scale",
    "value",
    "items_answered",
    "items",
    "reoperated_since",
)


def score_curve(request: HttpRequest, knee: UUID) -> HttpResponse:
    """One figure for each instrument that was answered for one knee, a panel a scale."""
    found = knee_for(request.user, knee)
    csv_url = reverse("knee_scores_csv", args=[found.uuid])
    figures = [score_figure(curve, csv_url) for curve in _curves(found)]
    template = "outcomes/score_curve_fragment.html" if request.htmx else "outcomes/score_curve.html"  # type: ignore[attr-defined]
    return render(request, template, {"knee": found, "figures": figures})


def score_curve_csv(request: HttpRequest, knee: UUID) -> HttpResponse:
    """Every answer of one knee on every scale, unrounded; what cannot be scored has no value."""
    found = knee_for(request.user, knee)
    return csv_file("scores", CSV_COLUMNS, _csv_rows(found))


def _csv_rows(knee: Knee) -> Iterator[tuple[object, ...]]:
    for answered in ScoreResponse.objects.filter(knee=knee):
        head = (answered.instrument, answered.instrument_version, answered.answered_on)
        for score in answered.scores:
            value = "" if score.value is None else score.value
            counts = (score.answered, score.of)
            yield (*head, score.scale.code, value, *counts, answered.reoperated_since)


def _curves(knee: Knee) -> Iterator[ScoreCurve]:
    answers = defaultdict(list)
    for response in ScoreResponse.objects.filter(knee=knee):
        answers[response.instrument].append(_answer(response))
    marks = list(_marks(knee))
    for code, instrument in INSTRUMENTS.items():
        if found := answers.get(code):
            yield ScoreCurve(instrument, found, marks)


def _answer(response: ScoreResponse) -> ScoreAnswer:
    profile = INSTRUMENTS[response.instrument].profile
    return ScoreAnswer(
        answered_on=response.answered_on,
        scores={score.scale.code: score for score in response.scores},
        items_answered=len(response.items),
        version=response.instrument_version,
        reoperated=response.get_reoperated_since_display(),
        profile=profile(response.items) if profile else None,
    )


def _marks(knee: Knee) -> Iterator[Mark]:
    days = {
        Intervention.OPERATION: knee.procedures.values_list("operated_on", flat=True),
        Intervention.SECOND_LOOK: knee.looks.values_list("looked_on", flat=True),
        Intervention.REOPERATION: knee.reoperations.values_list("operated_on", flat=True),
    }
    for what, on_days in days.items():
        for day in on_days:
            yield Mark(day, what)
