"""The few sums that most instruments share: totals, means and percentages of what is answered. Pure."""

from collections.abc import Collection, Iterable, Mapping
from statistics import fmean

from registry.scoring.instrument import TOTAL, Item, Rule


def total_of(codes: Collection[str]) -> Rule:
    """A rule with one scale, "total": the sum of the items; None unless every one is answered."""

    def score(answers: Mapping[str, int]) -> dict[str, float | None]:
        values = _answered(codes, answers)
        return {TOTAL: float(sum(values)) if len(values) == len(codes) else None}

    return score


def percent_free(
    codes: Collection[str], answers: Mapping[str, int], worst: int, at_least: int
) -> float | None:
    """100 less the mean answer as a percentage of the worst, where the best answer is 0.

    None if fewer than `at_least` of the items are answered. The one division comes last, so the result is
    the number nearest to the true one: a score equal to a threshold is equal exactly.
    """
    values = _answered(codes, answers)
    if len(values) < at_least:
        return None
    most = worst * len(values)
    return 100 * (most - sum(values)) / most


def percent_reached(
    items: Iterable[Item], answers: Mapping[str, int], reversed_codes: Collection[str], at_least: int
) -> float | None:
    """Points as a percentage of the most that the answered items could give.

    Items run from 0 points up, those of `reversed_codes` from 0 points down: they are turned here, and
    nowhere else. None if fewer than `at_least` of the items are answered.
    """
    points, most = [], 0
    for item in items:
        if item.code in answers:
            best, marked = max(item.allowed), answers[item.code]
            points.append(best - marked if item.code in reversed_codes else marked)
            most += best
    return 100 * sum(points) / most if len(points) >= at_least else None


def complete_mean(values: Iterable[float | None]) -> float | None:
    """The unweighted mean of scales; None if one of them could not be scored."""
    known = []
    for value in values:
        if value is None:
            return None
        known.append(value)
    return fmean(known)


def _answered(codes: Iterable[str], answers: Mapping[str, int]) -> list[int]:
    return [answers[code] for code in codes if code in answers]
