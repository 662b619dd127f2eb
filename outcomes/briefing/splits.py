"""Which split of the repairs differs, said by rules 7 and 8 of sentences.py. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from operator import itemgetter

from outcomes import wording
from outcomes.briefing.shares import Share, when
from outcomes.estimators import comparison
from outcomes.results import Group, SurvivalResult

# Conventional level.
DIFFERS_BELOW_P = 0.05

NOTHING_TESTED = "no groups were compared: fewer than two are known, or none failed"
NOT_ESTIMATED = "no groups are said to differ: too few are followed to say by how much"
ASSOCIATION = "an association, not a cause"
ZONE_CAUTION = ", and zone is the field on which surgeons agree least"


def differing_split(results: Sequence[SurvivalResult], day: float) -> str:
    """The split of the smallest P that differs and can be estimated at that day; empty when none does."""
    for result, p_holm, tested in _differing(results):
        ends = _ends(result, day)
        if ends:
            low, high = ends
            crossing = ", though their curves cross" if comparison.crossing(low.curve, high.curve) else ""
            return (
                f"failure differs by {result.stratum_title} by more than chance would usually give "
                f"({_test(result, p_holm, tested)}), at {when(day)} from {_in_group(low, day)} to "
                f"{_in_group(high, day)}{crossing}: "
                f"{ASSOCIATION}{ZONE_CAUTION if result.stratum_code == 'zone' else ''}"
            )
    return ""


def no_split_differs(results: Sequence[SurvivalResult]) -> str:
    """What is said where `differing_split` says nothing."""
    tested = [result.stratum_title for result in results if result.comparison]
    if not tested:
        return NOTHING_TESTED
    if any(_differing(results)):
        return NOT_ESTIMATED
    return f"groups by {_listed(tested)} cannot be told apart, which does not show that they are alike"


def _differing(results: Sequence[SurvivalResult]) -> Iterator[tuple[SurvivalResult, float, int]]:
    """Splits that differ by rising P, each with P after Holm and the number of splits tested."""
    tested = sorted((result for result in results if result.comparison), key=_p)
    for result, p_holm in zip(tested, comparison.holm([_p(result) for result in tested]), strict=True):
        if p_holm is not None and p_holm < DIFFERS_BELOW_P:
            yield result, p_holm, len(tested)


def _clustered_p(result: SurvivalResult) -> float | None:
    return result.clustered_test.p if result.clustered_test else None


def _p(result: SurvivalResult) -> float:
    clustered = _clustered_p(result)
    if clustered is not None:
        return clustered
    return result.comparison.p if result.comparison else 1.0


def _test(result: SurvivalResult, p_holm: float, tested: int) -> str:
    clustered = _clustered_p(result) is not None
    name = "score test with the patient as cluster" if clustered else "log-rank"
    apart = result.overall.curve.robust and not clustered
    said = (
        f"{name} {wording.p_value(_p(result))}",
        f"{wording.p_value(p_holm)} after Holm for {tested} splits" if tested > 1 else "",
        "repairs of one patient taken as independent" if apart else "",
    )
    return ", ".join(filter(None, said))


def _ends(result: SurvivalResult, day: float) -> tuple[Group, Group] | None:
    """The groups of the lowest and of the highest share failed; None unless the two differ as written."""
    tested = result.comparison.groups if result.comparison else {}
    known = [group for group in result.groups if group.is_shown and group.code in tested]
    told = [(share.failed or 0.0, group) for group in known if (share := _share(group, day)).is_told]
    if not told:
        return None
    (least, low), (most, high) = (end(told, key=itemgetter(0)) for end in (min, max))
    return None if wording.percent(least) == wording.percent(most) else (low, high)


def _share(group: Group, day: float) -> Share:
    return Share.of(group.curve.at(day))


def _in_group(group: Group, day: float) -> str:
    return f"{_share(group, day)} in {group.label} (n = {group.curve.n:,})"


def _listed(names: Sequence[str]) -> str:
    *others, last = names
    return f"{', '.join(others)} and {last}" if others else last
