"""All figures of My results in reading order, each with its file; where one cannot be drawn, a sentence."""

from collections.abc import Callable, Iterable, Iterator, Sequence

from outcomes.charts import funnel, learning, monitor, own_curve, own_mix, own_ramp
from outcomes.charts.figure import Figure
from outcomes.charts.whose import Whose
from outcomes.own.failures import OwnFailure
from outcomes.own.results import OwnResults

# The part that is no figure.
FAILURES = "failures"
FAILURE_COLUMNS = ("operated_on", "failed_on", "months", "repair", "why")

# What each figure is called in the list at the head of the page.
SHORT_NAMES = {
    "own-survival": "Repairs standing",
    "own-funnel": "Position",
    "own-expected": "Observed and expected",
    "own-case-mix": "Case mix",
    "own-monitor": "Sequence monitor",
    "own-excess": "Observed minus expected",
    "own-learning": "From independent practice on",
    "own-ramp": "Ramp lesions",
    "own-indications": "Indications",
}

Row = tuple[object, ...]
CsvUrl = Callable[[str], str]


def own_figures(results: OwnResults, whose: Whose, csv_url: CsvUrl) -> Iterator[Figure | str]:
    """The figures of a surgeon with repairs enough to be judged; `csv_url` addresses the file of a part."""
    judged, context = results.judged, results.context
    if judged is None:
        return
    model = judged.adjusted.by
    yield own_curve.own_curve_figure(results, judged, whose, csv_url("curve"))
    yield funnel.funnel_figure(judged.funnel, csv_url("funnel"), whose)
    if model and judged.adjusted.ratio:
        url = csv_url("expected")
        yield own_mix.expected_figure(judged.adjusted.ratio, model, context, whose, url)
    else:
        yield judged.adjusted.refused
    yield own_mix.mix_figure(results.case_mix, context, whose, csv_url("case-mix"))
    if isinstance(judged.monitor, str) or model is None:
        yield str(judged.monitor)
    else:
        yield monitor.monitor_figure(judged.monitor, context, model, whose, csv_url("monitor"))
        yield monitor.excess_figure(judged.monitor, context, model, whose, csv_url("monitor"))
    yield learning.learning_figure(judged.learning, context, model, whose, csv_url("learning"))
    yield own_ramp.ramp_figure(results.ramp, whose, csv_url("ramp"))
    yield own_mix.indications_figure(results.indications, context, whose, csv_url("indications"))


def own_files(
    results: OwnResults, whose: Whose, failures: Iterable[OwnFailure]
) -> dict[str, tuple[Sequence[str], Iterable[Row]]]:
    """Columns and rows of every part's file; of a surgeon with too few repairs the failures alone."""
    lines = (
        (each.operated_on.isoformat(), each.failed_on.isoformat(), each.months, each.repair, each.why)
        for each in failures
    )
    files: dict[str, tuple[Sequence[str], Iterable[Row]]] = {FAILURES: (FAILURE_COLUMNS, lines)}
    judged = results.judged
    if judged is None:
        return files
    files |= {
        "curve": (own_curve.CSV_COLUMNS, own_curve.own_curve_rows(judged, whose)),
        "funnel": (funnel.CSV_COLUMNS, funnel.funnel_rows(judged.funnel, whose)),
        "expected": (own_mix.RATIO_COLUMNS, own_mix.ratio_rows(judged.adjusted)),
        "case-mix": (own_mix.MIX_COLUMNS, own_mix.mix_rows(results.case_mix)),
        "learning": (learning.CSV_COLUMNS, learning.learning_rows(judged.learning)),
        "ramp": (own_ramp.CSV_COLUMNS, own_ramp.ramp_rows(results.ramp, whose)),
        "indications": (own_mix.MIX_COLUMNS, own_mix.mix_rows(results.indications)),
    }
    if not isinstance(judged.monitor, str):
        files["monitor"] = (monitor.CSV_COLUMNS, monitor.monitor_rows(judged.monitor))
    return files
