"""The briefing as one HTML file: results, figures, style sheet and scripts all inside."""

from pathlib import Path

from django.contrib.staticfiles import finders
from django.db.models import QuerySet
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe

from outcomes.charts.survival import landmark_share, survival_figure
from outcomes.cohort import Cohort
from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.failure import FailureDefinition
from outcomes.survival import survival_results
from registry.models import Unit


def briefing_html(cohort: Cohort, units: QuerySet[Unit], definition: FailureDefinition) -> str:
    """The whole document. It names units, never surgeons or patients.

    Raises
    ------
    ValueError
        When the cohort holds no repair that can be counted.
    """
    results = survival_results(cohort, units, definition)
    if not results:
        raise ValueError("No repair in this cohort, or all were entered later from old notes. Widen it.")
    overall = results[0].overall
    context = {
        "cohort": results[0].cohort_sentence,
        "definition": definition,
        "written_on": timezone.localdate(),
        "repairs": overall.curve.n,
        "failures": overall.curve.events,
        "landmarks": [
            (year, landmark_share(overall, point), point.at_risk)
            for year, point in zip(LANDMARK_DAYS, overall.curve.landmarks, strict=True)
        ],
        "figures": [survival_figure(result) for result in results],
        "style": _inline("registry/rimward.css"),
        "scripts": _inline("plotly/plotly.min.js"),
        "module": _inline("outcomes/figure.js"),
    }
    return render_to_string("outcomes/briefing.html", context)


def _inline(static_path: str) -> SafeString:
    """The text of one of our own or an installed package's static files, to stand inside the document."""
    found = finders.find(static_path)
    if not isinstance(found, str):
        raise FileNotFoundError(f"Static file {static_path} is missing: install the dependencies again.")
    return mark_safe(Path(found).read_text(encoding="utf-8"))  # noqa: S308 - our own files, never input
