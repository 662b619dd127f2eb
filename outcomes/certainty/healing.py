"""Do signs in clinic and imaging agree with the second look: one pair a repaired tear.

Healed is the positive finding: sensitivity is of the tears healed at the look the share found healed before
it, specificity of those not healed the share found not healed.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from outcomes import wording
from outcomes.cache import remembered
from outcomes.certainty.pairs import (
    APART_AT_MOST_DAYS,
    Pairs,
    imaging_and_looks,
    looked_at,
    repaired,
    visits_and_looks,
)
from outcomes.certainty.reading import fewest_shown
from outcomes.estimators.agreement import Diagnostic, Kappa, diagnostic, kappa
from outcomes.estimators.cautions import informative_looks
from registry.models import Unit
from registry.rules.healing import CLINICAL_HEALING_FROM_DAYS, clinically_healed
from registry.vocabulary import Effusion, HealingClass

LOOK_RULE = (
    "At the look a tear is healed when healed or partly healed by its unit's limits of the residual cleft, "
    "not healed from the limit of failure on. A tear counts once, by its first look that has such a pair."
)
CLINIC_RULE = (
    f"The last visit that tells, on the day of the look or at most {APART_AT_MOST_DAYS} days before it, and "
    f"at least {CLINICAL_HEALING_FROM_DAYS} days after any operation on the knee. Clinically healed: neither "
    "effusion nor joint-line tenderness nor a positive McMurray; not healed: any of them. Single signs: "
    "where that visit recorded them."
)
IMAGING_RULE = (
    f"The last imaging that names a class, on the day of the look or at most {APART_AT_MOST_DAYS} days "
    f"before it, and at least {CLINICAL_HEALING_FROM_DAYS} days after the operation on the tear. Healed: "
    "healed or partly healed as reported."
)
CLINIC_CAUTION = (
    "In print only the absence of joint-line tenderness had a high specificity for a healed repair (log "
    "diagnostic odds ratio 2.62, 0.47 to 4.76, seven studies; Schoenecker et al. AJSM 2025;53:1750-60): "
    "clinical healing read from all three is less than a look."
)

# What is found before the look, as a row of columns, and whether the tear is healed by it; None: not told.
Row = tuple[Any, ...]
Finding = Callable[[Row], bool | None]


@dataclass(frozen=True, slots=True)
class HealingAgreement:
    """One finding of healing against the look; `kappa` is None where no tear has both.

    A share is shown of `fewest` tears or more.
    """

    code: str
    label: str
    diagnostic: Diagnostic
    kappa: Kappa | None
    fewest: int

    @property
    def n(self) -> int:
        """Tears that have both."""
        return self.diagnostic.n


@dataclass(frozen=True, slots=True)
class LookedAt:
    """Findings beside the look of the same `tears` in `knees`, of so many repairs and of those looked at."""

    code: str
    findings: tuple[HealingAgreement, ...]
    tears: int
    knees: int
    looked_at: int
    repairs: int
    rule: str
    cautions: tuple[str, ...]


CLINIC_FINDINGS: Mapping[str, tuple[str, Finding]] = {
    "signs": ("All three signs absent", lambda row: clinically_healed(row[0] or None, row[1], row[2])),
    "effusion": ("No effusion", lambda row: row[0] == Effusion.NONE if row[0] else None),
    "tenderness": ("No joint-line tenderness", lambda row: None if row[1] is None else not row[1]),
    "mcmurray": ("McMurray negative", lambda row: None if row[2] is None else not row[2]),
}
IMAGING_FINDINGS: Mapping[str, tuple[str, Finding]] = {
    "imaging": ("Healed or partly so", lambda row: row[0] != HealingClass.FAILED),
}


def clinic_and_look(units: QuerySet[Unit]) -> LookedAt:
    """Signs in clinic beside the second look at tears repaired in these units."""
    return _remembered("clinic", units, visits_and_looks, CLINIC_FINDINGS, CLINIC_RULE, CLINIC_CAUTION)


def imaging_and_look(units: QuerySet[Unit]) -> LookedAt:
    """Imaging beside the second look at tears repaired in these units."""
    return _remembered("imaging", units, imaging_and_looks, IMAGING_FINDINGS, IMAGING_RULE, "")


def _remembered(
    code: str,
    units: QuerySet[Unit],
    pair: Callable[[QuerySet[Unit]], Pairs],
    findings: Mapping[str, tuple[str, Finding]],
    rule: str,
    caution: str,
) -> LookedAt:
    keys = tuple(sorted(units.values_list("pk", flat=True)))

    def work_out() -> LookedAt:
        pairs, fewest = pair(units), fewest_shown(units)
        tears, seen, repairs = sum(pairs.counts.values()), looked_at(units), repaired(units)
        return LookedAt(
            code=code,
            findings=tuple(
                _agreement(pairs, finding, label, tells, fewest)
                for finding, (label, tells) in findings.items()
            ),
            tears=tears,
            knees=pairs.knees,
            looked_at=seen,
            repairs=repairs,
            rule=f"{rule} {LOOK_RULE}",
            cautions=tuple(filter(None, (caution, *_cautions(tears, pairs.knees, seen, repairs)))),
        )

    return remembered(f"{code} and look", keys, work_out)


def _agreement(pairs: Pairs, code: str, label: str, tells: Finding, fewest: int) -> HealingAgreement:
    cells = {(found, healed): 0 for found in (True, False) for healed in (True, False)}
    for (*row, healed), n in pairs.counts.items():
        found = tells(tuple(row))
        if found is not None:
            cells[found, healed] += n
    table = [[cells[found, healed] for healed in (True, False)] for found in (True, False)]
    return HealingAgreement(
        code=code,
        label=label,
        diagnostic=diagnostic(
            true_positive=cells[True, True],
            false_positive=cells[True, False],
            false_negative=cells[False, True],
            true_negative=cells[False, False],
        ),
        kappa=kappa(table, ("healed", "not healed")) if any(cells.values()) else None,
        fewest=fewest,
    )


def _cautions(tears: int, knees: int, seen: int, repairs: int) -> Iterator[str]:
    if chosen := informative_looks(seen, repairs):
        yield chosen.sentence
    if tears and knees < tears:
        held = f"{wording.counted(tears, 'tear')} in {wording.counted(knees, 'knee')}"
        yield f"{held}: tears of one knee go together, which the intervals do not allow for."
