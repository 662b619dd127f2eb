"""The methods by name: what each answers, which options it needs and takes, and who computes it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from outcomes.analysis import counting, regression, time_to_event
from outcomes.analysis.answer import Answer
from outcomes.analysis.options import OPTIONS, Asked, flag
from outcomes.analysis.reading import InputError, Table


@dataclass(frozen=True, slots=True)
class Method:
    """One method: the question it answers, the options it needs, those it can use, its function."""

    answers: str
    needs: tuple[str, ...]
    takes: tuple[str, ...]
    run: Callable[[Table, Asked], Answer]


FOLLOWED = ("duration", "event")
METHODS: dict[str, Method] = {
    "kaplan-meier": Method(
        "how many still stand at each time",
        FOLLOWED,
        ("group", "cluster", "entry", "at", "conf"),
        time_to_event.kaplan_meier,
    ),
    "log-rank": Method("do groups differ", (*FOLLOWED, "group"), ("strata", "entry"), time_to_event.log_rank),
    "cox": Method(
        "by how much, adjusted",
        (*FOLLOWED, "covariates"),
        ("cluster", "strata", "entry", "reference"),
        regression.cox,
    ),
    "cumulative-incidence": Method(
        "what ends a repair first; event 0 censored, 1, 2, ... causes",
        FOLLOWED,
        ("group", "entry"),
        time_to_event.cumulative_incidence,
    ),
    "interval-censored": Method(
        "failures found at a look, true time unknown",
        ("lower", "upper"),
        ("group",),
        time_to_event.interval_censored,
    ),
    "restricted-mean": Method(
        "mean time without failure up to tau",
        FOLLOWED,
        ("group", "cluster", "entry", "tau"),
        time_to_event.mean_up_to,
    ),
    "follow-up": Method(
        "how long were they followed", FOLLOWED, ("group", "conf"), time_to_event.median_follow_up
    ),
    "proportion": Method("what share failed", ("event",), ("group",), counting.proportion),
    "rate": Method("how many events in how much time", FOLLOWED, ("group",), counting.rate),
    "funnel": Method(
        "which unit lies outside chance; event and total are counts, one row a unit",
        ("event", "total"),
        ("target",),
        counting.funnel,
    ),
    "cusum": Method(
        "is a run drifting; rows in order", ("event", "expected"), ("odds_ratio", "limit"), counting.cusum
    ),
    "completeness": Method(
        "how completely were they followed",
        ("start", "last", "failed", "close"),
        ("horizon",),
        counting.completeness,
    ),
    "anonymity": Method("how well is a person hidden", ("keys",), ("sensitive",), counting.anonymity),
}


def analyse(table: Table, name: str, asked: Asked) -> Answer:
    """Run a method on a table.

    Raises
    ------
    InputError
        If an option is lacking or of no use here, or the table does not hold what the method needs.
    """
    method = METHODS[name]
    check_options(name, asked)
    try:
        return method.run(table, asked)
    except InputError:
        raise
    except (ValueError, ArithmeticError) as refusal:
        # An estimator's own words: too few events, say, or a fit that comes to no end.
        raise InputError(f"{name}: {refusal}.") from refusal


def check_options(name: str, asked: Asked) -> None:
    """Refuse an option that is lacking, or that would go unheeded."""
    method, given = METHODS[name], asked.given()
    lacking = [option for option in method.needs if option not in given]
    if lacking:
        needed = " and ".join(f"{flag(option)} {OPTIONS[option].shows}" for option in lacking)
        raise InputError(f"--method {name} needs {needed}.")
    unheeded = [flag(option) for option in OPTIONS if option in given - {*method.needs, *method.takes}]
    if unheeded:
        raise InputError(f"--method {name} makes no use of {', '.join(unheeded)}: leave it out.")
