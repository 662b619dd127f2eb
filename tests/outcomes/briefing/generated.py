"""Generated records, what they are set beside, and what the headline says of each."""

import random
from dataclasses import dataclass
from datetime import date
from functools import cache

import pandas as pd

from outcomes.briefing.sentences import Reference, Share, headline, headline_point
from outcomes.estimators.sensitivity import Bounds, bounds
from outcomes.failure import REOPERATION
from outcomes.results import Group, SurvivalResult
from outcomes.strata import STRATA
from outcomes.survival import Counted, columns_of, results_of
from outcomes.timeline import CENSORED, FAILED

SETS = 300
SPLIT = tuple(STRATA[code] for code in ("zone", "ligament"))
ONE_YEAR, TWO_YEARS = 365, 730


@dataclass(frozen=True)
class Case:
    """One generated record, what it was set beside, and what was said of it."""

    results: list[SurvivalResult]
    reference: Reference | None
    bounds: Bounds
    said: tuple[str, str, str]

    @property
    def overall(self) -> Group:
        return self.results[0].overall

    @property
    def text(self) -> str:
        return " ".join(self.said)


def a_table(dice: random.Random) -> pd.DataFrame:
    """Repairs whose failure hangs on their zone as much as the dice say, some of them late or repeated."""
    n = dice.choice([1, 2, 4, 5, 6, 8, 15, 30, 60, 120, 180])
    longest = dice.choice([200, 500, 900, 2500])
    risks = dict(
        zip(
            ("RR", "RW", "WW"),
            dice.choice([(0, 0, 0), (0.1, 0.1, 0.1), (0.02, 0.1, 0.5), (0.02, 0.1, 0.5)]),
            strict=True,
        )
    )
    # Three levels seldom: the tests of pairs, of which nothing is said here, take their time.
    zones = ["RR", "WW", *(["RW"] if dice.random() < 0.15 else []), "unknown"]
    repeated, losing = dice.random() < 0.12, dice.choice([0.0, 0.1, 0.6])
    rows = []
    for number in range(n):
        zone, day = dice.choice(zones), dice.randint(1, longest)
        failed = dice.random() < risks.get(zone, 0.1)
        lost = not failed and dice.random() < losing
        rows.append(
            {
                "zone": zone,
                "ligament": dice.choice(["none", "same_operation"]),
                "entry": 0,
                "patient": number // 2 if repeated and n > 1 else None,
                "day": day,
                "outcome": FAILED if failed else CENSORED,
                "lost": lost,
                "n": 1,
                "potential_days": day + (dice.randint(0, 1500) if lost else 0),
            }
        )
    return pd.DataFrame(rows).astype({"patient": object})


def a_reference(dice: random.Random, at: float) -> Reference | None:
    if dice.random() < 0.4:
        return None
    failed = dice.uniform(0.01, 0.6)
    width = dice.choice([0.005, 0.05, 0.2])
    share = Share(failed, max(0.0, failed - width), min(1.0, failed + width))
    day = at if dice.random() < 0.8 else ONE_YEAR
    return Reference("the briefing of 3 May 2025", dice.choice([1, 4, 5, 90]), day, share)


def a_case(seed: int) -> Case:
    dice = random.Random(seed)  # noqa: S311 - no secret
    table = a_table(dice)
    counted = Counted(table, 0, 0, int(table["patient"].nunique()))
    results = results_of(
        counted, "All repairs.", REOPERATION, date(2026, 1, 1), SPLIT[: dice.choice([1, 1, 2])]
    )
    point = headline_point(results[0].overall)
    at = point.day if point else TWO_YEARS
    bounded = bounds(**columns_of(table), lost=table["lost"], at=at)
    reference = a_reference(dice, at)
    said = headline(results[0].overall, results, reference=reference, bounds=bounded)
    return Case(results, reference, bounded, said)


@cache
def cases() -> tuple[Case, ...]:
    return tuple(a_case(seed) for seed in range(SETS))
