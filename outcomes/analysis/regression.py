"""Cox regression of any table."""

from __future__ import annotations

import pandas as pd

from outcomes.analysis.answer import Answer, answer, picked
from outcomes.analysis.options import Asked
from outcomes.analysis.reading import FLAG, TIME, InputError, Table, shown
from outcomes.analysis.time_to_event import entry_times
from outcomes.estimators.regression import cox as fit

COEFFICIENT = ("coef", "hazard_ratio", "std_error", "robust_std_error", "lower", "upper", "z", "p")


def cox(table: Table, asked: Asked) -> Answer:
    """Fit the covariates; rows with one missing are left out and counted."""
    fitted = fit(
        _frame(table, asked),
        duration=str(asked.duration),
        event=str(asked.event),
        covariates=list(asked.covariates or ()),
        cluster=asked.cluster,
        strata=asked.strata,
        entry=asked.entry,
        references=asked.reference or {},
    )
    values = {
        **picked(fitted, "n", "left_out"),
        "coefficients": {term.name: picked(term, *COEFFICIENT) for term in fitted.coefficients},
        **picked(fitted, "concordance", "log_likelihood"),
        "proportional_hazards": {
            name: picked(test, "statistic", "p") for name, test in fitted.proportional_hazards.items()
        },
    }
    left_out = f"{fitted.left_out} of {len(table)} rows lack a covariate and are left out."
    return answer(values, fitted, cautions=[left_out] if fitted.left_out else [])


def _frame(table: Table, asked: Asked) -> pd.DataFrame:
    time = table.column(str(asked.duration)).numbers(TIME)
    frame = pd.DataFrame({asked.duration: time, asked.event: table.column(str(asked.event)).numbers(FLAG)})
    if asked.entry is not None:
        frame[asked.entry] = entry_times(table, asked.entry, time)
    for name in filter(None, (asked.cluster, asked.strata)):
        frame[name] = table.column(name).labels()
    references = asked.reference or {}
    _check_references(table, asked.covariates or (), references)
    for name in asked.covariates or ():
        frame[name] = table.column(name).covariate(levels=name in references)
    return frame


def _check_references(table: Table, covariates: tuple[str, ...], references: dict[str, str]) -> None:
    for name, level in references.items():
        if name not in covariates:
            raise InputError(
                f"--reference {name}={level}: {shown(name)} is not among --covariates; add it there."
            )
        if level not in table.column(name).text:
            raise InputError(
                f"--reference {name}={level}: column {shown(name)} has no row with {shown(level)}."
            )
