"""The score curves of a knee: a fragment that the Knee story embeds, a page without script."""

from collections import defaultdict
from collections.abc import Iterator
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import cache_control

from outcomes.charts.scores import Intervention, Mark, ScoreAnswer, ScoreCurve, score_figure
from registry.access import knee_for
from registry.models import Knee, ScoreResponse
from registry.scoring import INSTRUMENTS, ScaleScore


@cache_control(no_store=True)
def score_curve(request: HttpRequest, knee: UUID) -> HttpResponse:
    """One figure for each scale of the instruments that were answered for one knee."""
    found = knee_for(request.user, knee)
    figures = [score_figure(curve) for curve in _curves(found)]
    template = "outcomes/score_curve_fragment.html" if request.htmx else "outcomes/score_curve.html"  # type: ignore[attr-defined]
    return render(request, template, {"knee": found, "figures": figures})


def _curves(knee: Knee) -> Iterator[ScoreCurve]:
    answers = defaultdict(list)
    for response in ScoreResponse.objects.filter(knee=knee):
        for score in response.scores:
            answers[response.instrument, score.scale.code].append(_answer(response, score))
    marks = list(_marks(knee))
    for instrument in INSTRUMENTS.values():
        for scale in instrument.scales:
            if found := answers.get((instrument.code, scale.code)):
                yield ScoreCurve(instrument, scale, found, marks)


def _answer(response: ScoreResponse, score: ScaleScore) -> ScoreAnswer:
    return ScoreAnswer(
        answered_on=response.answered_on,
        value=score.value,
        items_answered=score.answered,
        version=response.instrument_version,
        reoperated=response.get_reoperated_since_display(),
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
