"""Mean time without failure, counting each repair up to the same horizon, by the levels of a stratum."""

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from outcomes import wording
from outcomes.analyses import context as follow_up
from outcomes.analyses.context import Context
from outcomes.estimators import restricted_mean as estimator
from outcomes.estimators.restricted_mean import (
    RestrictedMean,
    RestrictedMeanDifference,
    restricted_mean,
    restricted_mean_difference,
)
from outcomes.results import FEWEST_SHOWN
from outcomes.strata import UNKNOWN, Stratum
from outcomes.survival import Counted, columns_of
from outcomes.timeline import FAILED

UNCORRECTED = (
    "Each level is set against {reference} by itself; intervals and P values are not corrected for their "
    "number."
)
ENDED_OTHERWISE = "Repairs ended by death, knee replacement or another tear count as censored then."


@dataclass(frozen=True, slots=True)
class LevelMean:
    """One level: its repairs, their restricted mean in days, and by how much it exceeds the reference's.

    `mean` is None for fewer than FEWEST_SHOWN repairs, or repairs not followed beyond the day of operation;
    `difference` also for the reference itself.
    """

    code: str
    label: str
    n: int
    events: int
    mean: RestrictedMean | None
    difference: RestrictedMeanDifference | None


@dataclass(frozen=True, slots=True)
class MeansResult:
    """Restricted means of the levels of a stratum, all to `tau` days, and the differences from the largest.

    `tau` is the smallest of the last times of the levels that are read; None, as `reference`, the code of the
    level with most repairs, where none is.
    """

    title: str
    context: Context
    stratum_code: str
    split_by: str
    tau: float | None
    reference: str | None
    levels: tuple[LevelMean, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    methods: tuple[str, ...]
    references: tuple[str, ...]

    @property
    def reference_label(self) -> str:
        """The name of the level that the others are set against."""
        return next((level.label for level in self.levels if level.code == self.reference), "")


def means_result(counted: Counted, stratum: Stratum, context: Context) -> MeansResult:
    """Estimate the mean time without failure of each level of a stratum.

    Parameters
    ----------
    counted : the cohort's counts, with the column of `stratum`
    stratum : how to split; what is not recorded is left out
    context : what is said of the same cohort

    Notes
    -----
    All means have the same horizon, the smallest of the levels' last times: nothing is known of a level past
    its last.
    """
    known = counted.table[counted.table[stratum.code] != UNKNOWN]
    tables = {
        code: table for code in stratum.levels if not (table := known[known[stratum.code] == code]).empty
    }
    read = {code: table for code, table in tables.items() if _is_read(table)}
    tau = min((float(table["day"].max()) for table in read.values()), default=None)
    means = {code: restricted_mean(**columns_of(table), tau=tau) for code, table in read.items()}
    reference = max(means, key=lambda code: means[code].n, default=None)
    levels = tuple(
        _level(code, stratum.levels[code], table, means, reference) for code, table in tables.items()
    )
    return MeansResult(
        title=f"{context.definition.name}: mean time without failure, by {stratum.title}",
        context=context,
        stratum_code=stratum.code,
        split_by=stratum.title,
        tau=tau,
        reference=reference,
        levels=levels,
        notes=_notes(counted, stratum),
        cautions=_cautions(levels, reference, known, stratum, context),
        methods=(*_methods(levels), follow_up.METHOD),
        references=(*_references(means), follow_up.REFERENCE),
    )


def _is_read(table: pd.DataFrame) -> bool:
    return bool(table["n"].sum() >= FEWEST_SHOWN and table["day"].max() > 0)


def _level(
    code: str, label: str, table: pd.DataFrame, means: dict[str, RestrictedMean], reference: str | None
) -> LevelMean:
    mean = means.get(code)
    return LevelMean(
        code=code,
        label=label,
        n=int(table["n"].sum()),
        events=int(table.loc[table["outcome"] == FAILED, "n"].sum()),
        mean=mean,
        difference=(
            restricted_mean_difference(mean, means[reference])
            if mean and reference and code != reference
            else None
        ),
    )


def _notes(counted: Counted, stratum: Stratum) -> tuple[str, ...]:
    unknown = int(counted.table.loc[counted.table[stratum.code] == UNKNOWN, "n"].sum())
    label = stratum.levels.get(UNKNOWN, "")
    said = (stratum.note, f"{label} (n = {unknown}) is left out." if unknown else "")
    return tuple(filter(None, said))


def _cautions(
    levels: Sequence[LevelMean],
    reference: str | None,
    known: pd.DataFrame,
    stratum: Stratum,
    context: Context,
) -> tuple[str, ...]:
    compared = [level for level in levels if level.difference]
    said = (
        *(f"{level.label}{sentence}" for level in levels for sentence in _thin(level)),
        UNCORRECTED.format(reference=stratum.levels[reference]) if reference and len(compared) > 1 else "",
        _in_several(known, stratum) if compared else "",
        ENDED_OTHERWISE if context.ended_otherwise else "",
        stratum.caution,
        *context.cautions,
    )
    return tuple(filter(None, said))


def _thin(level: LevelMean) -> list[str]:
    if level.n < FEWEST_SHOWN:
        return [f": fewer than {FEWEST_SHOWN} repairs, so counts only."]
    if level.mean is None:
        return [": not followed beyond the day of operation yet."]
    return [f", at the horizon: {caution.sentence}" for caution in level.mean.cautions]


def _in_several(known: pd.DataFrame, stratum: Stratum) -> str:
    """Groups that share patients are not independent, and no error of a difference allows for it."""
    shared = int((known.groupby("patient")[stratum.code].nunique() > 1).sum())
    if not shared:
        return ""
    have = "has" if shared == 1 else "have"
    return (
        f"{wording.counted(shared, 'patient')} {have} repairs in more than one level; the differences take "
        "the levels as independent."
    )


def _methods(levels: Sequence[LevelMean]) -> tuple[str, ...]:
    means = [level.mean.method for level in levels if level.mean]
    compared = [estimator.METHOD_DIFFERENCE] if any(level.difference for level in levels) else []
    return tuple(dict.fromkeys([*means, *compared]))


def _references(means: dict[str, RestrictedMean]) -> tuple[str, ...]:
    """The longest says all that the others say: it adds the source of the error by patient."""
    return tuple(sorted({mean.reference for mean in means.values()}, key=len)[-1:])
