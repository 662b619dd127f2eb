"""A release as it stands before it is packed: everything that will be in the package, and nothing else."""

from dataclasses import dataclass

import pandas as pd

from outcomes.flow_step import FlowStep
from outcomes.release.asked import Asked

REPAIRS, VISITS, SCORES, LOOKS, REOPERATIONS = "repairs", "visits", "scores", "looks", "reoperations"
TABLES = (REPAIRS, VISITS, SCORES, LOOKS, REOPERATIONS)


@dataclass(frozen=True, slots=True)
class Level:
    """How far one quasi-identifier was generalised: `step` 0 is its finest form, `steps` its last, given up.

    `label` tells the form in words ("10-year bands"); `loss` is the share of detail lost, 0 to 1 (Iyengar
    2002).
    """

    attribute: str
    title: str
    step: int
    steps: int
    label: str
    loss: float

    @property
    def is_given_up(self) -> bool:
        """Whether nothing of it is told any more."""
        return self.step == self.steps


@dataclass(frozen=True, slots=True)
class Hidden:
    """How far the released repairs hide their people.

    `k` counts rows in the smallest class, `patients` people in it (what the release is held to); `distinct_l`
    and `t_closeness` are of the outcome. `patients_with_several` have more than one released repair;
    `of_them_alone` of those are the only ones with their combination of rows.
    """

    levels: tuple[Level, ...]
    asked_k: int
    k: int
    patients: int
    classes: int
    distinct_l: int
    t_closeness: float
    highest_risk: float
    mean_risk: float
    suppressed: int
    suppressed_by: tuple[tuple[str, int], ...]
    patients_with_several: int
    of_them_alone: int
    loss: float
    combinations_tried: int
    combinations: int


@dataclass(frozen=True, slots=True)
class Landmark:
    """Kaplan-Meier at a whole year: at risk then, failures until then, and survival; None when empty."""

    year: int
    at_risk: int
    failures: int
    survival: float | None


@dataclass(frozen=True, slots=True)
class Effect:
    """What hiding does to survival at a year: among all permitted repairs, and among those released."""

    year: int
    permitted: float | None
    released: float | None


@dataclass(frozen=True, slots=True)
class Frozen:
    """A release before it is packed.

    `tables` by name as in TABLES, pseudonymous, generalised, in a set order; `month` of the snapshot as
    2026-11; `record_version` of the record that was read.
    """

    asked: Asked
    software: str
    month: str
    record_version: int
    cohort_sentence: str
    definition_name: str
    definition_sentence: str
    definition_cautions: tuple[str, ...]
    flow: tuple[FlowStep, ...]
    tables: dict[str, pd.DataFrame]
    hidden: Hidden
    survival: tuple[Landmark, ...]
    effect: tuple[Effect, ...]
