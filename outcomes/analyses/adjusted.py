"""By how much the levels of several strata differ in failing, each with the others held equal."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd
from django.utils.text import get_text_list

from outcomes import wording
from outcomes.analyses.context import Context
from outcomes.estimators.cautions import EVENTS_PER_COEFFICIENT_LEAST
from outcomes.estimators.regression import ChiSquare, Coefficient, CoxFit, cox
from outcomes.estimators.regression.result import GLOBAL
from outcomes.results import FEWEST_SHOWN
from outcomes.strata import STRATA, UNKNOWN, Stratum
from outcomes.survival import Counted, one_a_repair

COVARIATES = ("zone", "acuity", "ligament", "meniscus", "age")

READING = (
    "A hazard ratio of 2 means failing at twice the pace of the reference level, with the other covariates "
    "of the model equal; the reference is the level with most repairs."
)
COMPETING = (
    "Death, knee replacement and loss of that meniscus for another tear end follow-up as censoring does "
    "(cause-specific hazards)."
)
COMPLETE = (
    "Only repairs with every covariate on record are in the model; crude ratios are of the same repairs."
)
NOT_BY_CHANCE = (
    "Nobody was treated by chance here: a ratio describes these repairs and does not show what caused it."
)
PROPORTIONAL = (
    "The test of proportional hazards asks whether a ratio stays the same over time; below P = 0.05 one "
    "number for all years misleads."
)


@dataclass(frozen=True, slots=True)
class Level:
    """One level of a covariate: its repairs and failures, and its hazard ratios against the reference.

    The ratios are None for the reference, for fewer than FEWEST_SHOWN repairs, where the level has no
    failure, and where there is no model; `proportional_hazards` is the test of its adjusted ratio.
    """

    code: str
    label: str
    n: int
    events: int
    is_reference: bool
    adjusted: Coefficient | None
    crude: Coefficient | None
    proportional_hazards: ChiSquare | None

    @property
    def is_shown(self) -> bool:
        """Whether a ratio may be shown; a level of fewer repairs is told by counts alone."""
        return self.n >= FEWEST_SHOWN


@dataclass(frozen=True, slots=True)
class Covariate:
    """A stratum as covariate, with its levels in reading order."""

    code: str
    title: str
    levels: tuple[Level, ...]

    @property
    def reference(self) -> str:
        """The label of the level that the others are held against; empty when it is not in the model."""
        return next((level.label for level in self.levels if level.is_reference), "")


@dataclass(frozen=True, slots=True)
class AdjustedResult:
    """A Cox regression of a cohort on strata.

    `n` repairs are in it, `events` of them failed; `incomplete` had a covariate not on record, and
    `without_failure` more are of levels in which none failed. `refusal` says why there is no model, and is
    empty when there is one. `all_at_once` tests proportional hazards of the whole model.
    """

    title: str
    context: Context
    covariates: tuple[Covariate, ...]
    n: int
    events: int
    incomplete: int
    without_failure: int
    all_at_once: ChiSquare | None
    refusal: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    references: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Rows:
    """A row a repair, ready for the model: complete, and of levels in which some failed."""

    complete: pd.DataFrame
    modelled: pd.DataFrame
    incomplete: int
    by: tuple[str, ...]
    references: dict[str, str]


def adjusted_result(counted: Counted, covariate_codes: Sequence[str], context: Context) -> AdjustedResult:
    """Fit the model on a cohort counted by (at least) these strata.

    Raises
    ------
    KeyError
        If a code is no stratum, or the cohort was not counted by it.
    """
    strata = [STRATA[code] for code in covariate_codes]
    rows = _rows(counted.table, covariate_codes)
    fit, refusal = _fit(rows, rows.by, counted)
    crude = {by: _fit(rows, (by,), counted)[0] for by in rows.by}
    fitted = next((found for found in (fit, *crude.values()) if found), None)
    covariates = tuple(_covariate(stratum, rows, fit, crude.get(stratum.code)) for stratum in strata)
    titles = get_text_list([stratum.title for stratum in strata], "and")
    return AdjustedResult(
        title=f"{context.definition.name}: hazard ratios by {titles}, each with the others equal",
        context=context,
        covariates=covariates,
        n=len(rows.modelled),
        events=int(rows.modelled["failed"].sum()),
        incomplete=rows.incomplete,
        without_failure=len(rows.complete) - len(rows.modelled),
        all_at_once=fit.proportional_hazards.get(GLOBAL) if fit else None,
        refusal=_in_words(refusal, strata),
        notes=_notes(covariates, rows, strata),
        cautions=_cautions(context, fit, refusal, strata),
        methods=(*((fitted.method,) if fitted else ()), READING, COMPLETE, COMPETING, PROPORTIONAL),
        references=(fitted.reference,) if fitted else (),
    )


def _rows(table: pd.DataFrame, codes: Sequence[str]) -> _Rows:
    """The repairs that the model takes.

    A level without failure has no finite ratio; as its ratio falls towards 0 the others become those of the
    model without its repairs, so these are left out.
    """
    every = one_a_repair(table)
    known = ~every[list(codes)].isin([UNKNOWN]).any(axis=1)
    complete = every[known].reset_index(drop=True)
    modelled = complete
    for code in codes:
        failing = complete.loc[complete["failed"] == 1, code].unique()
        modelled = modelled[modelled[code].isin(failing)]
    by = tuple(code for code in codes if modelled[code].nunique() > 1)
    references = {code: str(modelled[code].value_counts().sort_index().idxmax()) for code in by}
    return _Rows(complete, modelled.reset_index(drop=True), int((~known).sum()), by, references)


def _fit(rows: _Rows, by: Sequence[str], counted: Counted) -> tuple[CoxFit | None, str]:
    """The model, or the sentence that says why there is none."""
    few = _too_few(rows, by)
    if few:
        return None, few
    try:
        return cox(
            rows.modelled,
            duration="day",
            event="failed",
            covariates=list(by),
            references={code: rows.references[code] for code in by},
            entry="entry" if (rows.modelled["entry"] > 0).any() else None,
            cluster="patient" if counted.repeated_patients else None,
        ), ""
    except ValueError as problem:
        return None, f"No model could be fitted: {problem}. Try fewer covariates, or a wider cohort."


def _too_few(rows: _Rows, by: Sequence[str]) -> str:
    if not by:
        return (
            "No model: no covariate has two levels in which repairs failed. "
            "Try other covariates, or a wider cohort."
        )
    coefficients = sum(rows.modelled[code].nunique() - 1 for code in by)
    events = int(rows.modelled["failed"].sum())
    if events >= EVENTS_PER_COEFFICIENT_LEAST * coefficients:
        return ""
    return (
        f"No model: {wording.counted(events, 'failure')} for {wording.counted(coefficients, 'ratio')} are "
        f"{events / coefficients:.1f} each, and {EVENTS_PER_COEFFICIENT_LEAST} are the least. "
        "Try fewer covariates, or a wider cohort."
    )


def _covariate(stratum: Stratum, rows: _Rows, fit: CoxFit | None, crude: CoxFit | None) -> Covariate:
    groups = rows.complete.groupby(stratum.code)["failed"]
    n, events = groups.size(), groups.sum()
    reference = rows.references.get(stratum.code)
    levels = [
        Level(
            code=code,
            label=label,
            n=int(n[code]),
            events=int(events[code]),
            is_reference=code == reference,
            adjusted=_ratio(fit, stratum.code, code, int(n[code])),
            crude=_ratio(crude, stratum.code, code, int(n[code])),
            proportional_hazards=fit.proportional_hazards.get(f"{stratum.code}[{code}]") if fit else None,
        )
        for code, label in stratum.levels.items()
        if code in n.index
    ]
    return Covariate(stratum.code, stratum.title, tuple(levels))


def _ratio(fit: CoxFit | None, covariate: str, level: str, n: int) -> Coefficient | None:
    if fit is None or n < FEWEST_SHOWN:
        return None
    named = {coefficient.name: coefficient for coefficient in fit.coefficients}
    return named.get(f"{covariate}[{level}]")


def _notes(covariates: Iterable[Covariate], rows: _Rows, strata: Iterable[Stratum]) -> tuple[str, ...]:
    said = [stratum.note for stratum in strata if stratum.note]
    if rows.incomplete:
        missing = wording.counted(rows.incomplete, "repair")
        said.append(f"Left out: {missing} with a covariate not on record.")
    said += [
        f"{covariate.title.capitalize()}, {level.label}: none of "
        f"{wording.counted(level.n, 'repair')} failed, so it has no ratio and is not in the model."
        for covariate in covariates
        for level in covariate.levels
        if not level.events
    ]
    return tuple(said)


def _cautions(
    context: Context, fit: CoxFit | None, refusal: str, strata: Sequence[Stratum]
) -> tuple[str, ...]:
    said = [refusal, *context.cautions, *(caution.sentence for caution in (fit.cautions if fit else ()))]
    said += [stratum.caution for stratum in strata]
    return tuple(_in_words(sentence, strata) for sentence in (*said, NOT_BY_CHANCE) if sentence)


def _in_words(sentence: str, strata: Iterable[Stratum]) -> str:
    """A sentence with the titles of strata and labels of levels instead of their codes."""
    for stratum in strata:
        for code, label in stratum.levels.items():
            sentence = sentence.replace(f"{stratum.code}[{code}]", f"{stratum.title} {label}")
    return sentence
