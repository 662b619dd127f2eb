"""The sequence monitor in words and tables: run lengths, lag, signals."""

from django.utils.formats import date_format

from outcomes import wording
from outcomes.analyses.context import Context
from outcomes.charts.context import Facts, context_facts, methods_facts
from outcomes.charts.figure import DataTable
from outcomes.estimators.monitoring import (
    CUSUM_METHOD,
    RUN_LENGTH_METHOD,
    RUN_LENGTH_REFERENCE,
)
from outcomes.own.expected import Expectation
from outcomes.own.monitor import RESULTS_TO_A_FALSE_SIGNAL, Monitor, Watch

ORDER = (
    "A result enters on the day it is known: a failure on its day, a repair that stands on the day two years "
    "are over."
)


def monitor_facts(words: str, monitor: Monitor, context: Context, model: Expectation) -> Facts:
    """What is printed under both drawings of a monitor, led by what one shows."""
    methods = (CUSUM_METHOD, RUN_LENGTH_METHOD, model.method)
    references = (RUN_LENGTH_REFERENCE, model.reference)
    return (
        ("In words", words),
        ("Results", f"{monitor.n:,}, of which failed {monitor.observed:,}, expected {monitor.expected:.1f}"),
        ("When nothing is wrong", _when_right(monitor)),
        ("When something is", _when_wrong(monitor)),
        ("Lag", _lag(monitor)),
        ("Expected risks", model.sentence),
        *context_facts(context),
        *methods_facts(methods, references),
    )


def in_words(monitor: Monitor) -> str:
    """Results and signals, for who cannot see the drawing."""
    return (
        f"{monitor.n:,} results. The upper path, which watches for doubled odds of failure, "
        f"{_signalled(monitor.worse)}; the lower, which watches for halved odds, "
        f"{_signalled(monitor.better)}. After a signal a path starts again from 0."
    )


def _signalled(watch: Watch) -> str:
    times = len(watch.signals)
    often = {0: "never reached its limit", 1: "reached its limit once"}
    return often.get(times, f"reached its limit {times} times")


def _when_right(monitor: Monitor) -> str:
    worse, better = monitor.worse, monitor.better
    return (
        f"The limits were chosen so that each path signals falsely once in {RESULTS_TO_A_FALSE_SIGNAL} "
        f"results on average; half of all upper paths would by result {worse.when_right.median:,}, half of "
        f"all lower ones by {better.when_right.median:,}. Limits: {worse.limit:.2f} and {better.limit:.2f}."
    )


def _when_wrong(monitor: Monitor) -> str:
    worse, better = monitor.worse.when_wrong, monitor.better.when_wrong
    return (
        f"Odds of failure truly doubled would be signalled after {worse.average:.0f} results on average "
        f"(half by {worse.median:,}); truly halved, after {better.average:.0f} (half by {better.median:,})."
    )


def _lag(monitor: Monitor) -> str:
    began = date_format(monitor.began_on, "j M Y")
    failed = (
        f", {wording.months(monitor.sooner_days)} months for one that failed" if monitor.sooner_days else ""
    )
    waiting = wording.counted(monitor.waiting, "repair")
    before = wording.counted(monitor.before, "failure")
    return (
        f"{ORDER} That is 24 months after the operation for a repair that stands{failed} on average. "
        f"{waiting} done since still {'waits' if monitor.waiting == 1 else 'wait'}. The monitor begins on "
        f"{began}, two years after the first repair: before that only failures could be known ({before} left "
        "out)."
    )


# --- tables -----------------------------------------------------------------------------------


def signal_table(monitor: Monitor) -> DataTable:
    """Each path with its limit, where it is now and when it signalled."""
    columns = ("Path", "Limit", "Now at", "Signals", "At result (known on)")
    paths = (("Odds doubled (up)", monitor.worse), ("Odds halved (down)", monitor.better))
    rows = tuple(_signal_row(label, monitor, watch) for label, watch in paths)
    return DataTable("The two paths, their limits and their signals.", columns, rows)


def _signal_row(label: str, monitor: Monitor, watch: Watch) -> tuple[str, ...]:
    at = "; ".join(f"{row + 1} ({date_format(monitor.known_on[row], 'j M Y')})" for row in watch.signals)
    return (label, f"{watch.limit:.2f}", f"{watch.path.path[-1]:.2f}", str(len(watch.signals)), at or "-")


def year_table(monitor: Monitor) -> DataTable:
    """Results, failures seen and expected by the year in which they became known."""
    years = sorted({day.year for day in monitor.known_on})
    rows = []
    for year in years:
        of_year = [row for row, day in enumerate(monitor.known_on) if day.year == year]
        seen = sum(monitor.failed[row] for row in of_year)
        awaited = sum(monitor.risks[row] for row in of_year)
        so_far = monitor.excess[of_year[-1]]
        rows.append((str(year), f"{len(of_year):,}", f"{seen:,}", f"{awaited:.1f}", f"{so_far:+.1f}"))
    columns = ("Known in", "Results", "Failed", "Expected", "Observed minus expected so far")
    return DataTable("Results by the year in which they became known.", columns, tuple(rows))
