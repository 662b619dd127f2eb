"""The headline of an audit briefing: three sentences made from results and hedged by rule. Pure.

The first counts and gives the share failed. The second sets that share beside the reference, if there is one,
and names a split that differs. The third says how far follow-up can be trusted.

The rules; tests/outcomes/briefing/test_sentences.py checks each on the words and the numbers.

Of every sentence:
 1. A per cent of failure has one decimal and its 95 % interval, or is not written: where no interval can be
    had, words say what is known ("none had failed by 2 years"). Completeness alone is a per cent without
    interval, for it is counted, not estimated.
 2. No per cent of any kind on fewer than FEWEST_SHOWN repairs: counts speak, and nothing is compared.
 3. The share failed is that at 2 years or, where these are not reached, at 1 year. Past the last follow-up
    nothing is said but "not reached". Fewer than FEW_AT_RISK at risk on that day is said beside it.
 4. One is written in the singular, none as "no".
 5. Nothing is "significant", nobody and nothing "better" or "worse"; no surgeon is spoken of.
Of what is set beside each other:
 6. The direction is that of the two shares, which are read at the same day or not set beside each other at
    all. There is no test, so no difference is claimed: where the limits overlap the two "cannot be told
    apart"; where they do not, that is said, with "no test was made".
 7. A split "differs by more than chance would usually give", "an association, not a cause", only where a
    test has P below DIFFERS_BELOW_P after Holm over all splits tested, and only beside an estimate: the
    lowest and the highest share failed among groups of FEWEST_SHOWN or more. The test is the one with the
    patient as cluster where there is one. Curves that cross are said to. Beside a split by zone stands that
    surgeons agree on zone least.
 8. Otherwise groups "cannot be told apart", which does not show them alike. No P stands without an estimate.
Of what may be missing:
 9. Completeness is always said, below COMPLETE_ENOUGH as a caution.
10. Where repairs were lost, what failure would be had all of them failed is said beside it.
"""

from __future__ import annotations

from collections.abc import Sequence

from outcomes import wording
from outcomes.briefing.shares import HEADLINE_YEARS, Reference, Share, headline_point, when
from outcomes.briefing.splits import differing_split, no_split_differs
from outcomes.estimators.cautions import COMPLETE_ENOUGH, FEW_AT_RISK
from outcomes.estimators.sensitivity import Bounds
from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.results import FEWEST_SHOWN, Group, SurvivalResult

__all__ = ["Reference", "Share", "headline", "headline_point"]


def headline(
    overall: Group,
    results: Sequence[SurvivalResult],
    *,
    reference: Reference | None = None,
    bounds: Bounds | None = None,
) -> tuple[str, str, str]:
    """The three sentences, by the rules above.

    Parameters
    ----------
    overall : Group
        All repairs of the briefing; days as unit of time.
    results : sequence of SurvivalResult
        The splits, of the same repairs; may be empty.
    reference : Reference, optional
        The share failed of an earlier briefing, or a published one.
    bounds : Bounds, optional
        What may have become of the lost among the same repairs, read at the day of `headline_point(overall)`.
    """
    said = (_counts(overall), _comparison(overall, results, reference), _certainty(overall, bounds))
    first, second, third = (f"{sentence[:1].upper()}{sentence[1:]}." for sentence in said)
    return first, second, third


def _counts(overall: Group) -> str:
    n, events = overall.curve.n, overall.curve.events
    failures = wording.counted(events, "failure") if events else "no failure"
    return f"{wording.counted(n, 'repair')} {_were(n)} counted, with {failures}{_share_failed(overall)}"


def _share_failed(overall: Group) -> str:
    if not overall.is_shown:
        return ": too few for a share"
    point, last = headline_point(overall), LANDMARK_DAYS[HEADLINE_YEARS[-1]]
    if point is None:
        return f"; {when(last)} of follow-up is {wording.NOT_REACHED}"
    first = LANDMARK_DAYS[HEADLINE_YEARS[0]]
    passed = "" if point.day == first else f"; {when(first)} are {wording.NOT_REACHED}"
    few = point.at_risk < FEW_AT_RISK
    at_risk = f", with only {wording.counted(point.at_risk, 'repair')} at risk then" if few else ""
    return f"{passed}: {Share.of(point).had_failed(f'by {when(point.day)}')}{at_risk}"


def _comparison(overall: Group, results: Sequence[SurvivalResult], reference: Reference | None) -> str:
    if not overall.is_shown:
        return f"fewer than {FEWEST_SHOWN} repairs: nothing is compared"
    point = headline_point(overall)
    split = differing_split(results, point.day) if point else ""
    if reference is None:
        return split or no_split_differs(results)
    beside = (
        _beside(Share.of(point), point.day, reference) if point else _apart(reference, "no year is reached")
    )
    return f"{beside}; {split}" if split else beside


def _beside(own: Share, day: float, reference: Reference) -> str:
    """Rule 6."""
    if reference.n < FEWEST_SHOWN:
        return _apart(reference, f"that counts {wording.counted(reference.n, 'repair')} only")
    if reference.at != day:
        return _apart(reference, f"that is read at {when(reference.at)}")
    if own.limits is None or reference.share.limits is None:
        return _apart(reference, "an interval is missing")
    where = f"that {_direction(own, reference.share)} the {reference.share} of {reference.label}"
    (own_lower, own_upper), (lower, upper) = own.limits, reference.share.limits
    if own_lower <= upper and lower <= own_upper:
        return f"{where}, and as their limits overlap the two cannot be told apart"
    return f"{where}, and their limits do not overlap; no test was made, and case mix may differ"


def _apart(reference: Reference, why: str) -> str:
    return f"there is no comparison with {reference.label}: {why}"


def _direction(own: Share, other: Share) -> str:
    if wording.percent(own.failed) == wording.percent(other.failed):
        return "is the same to one decimal as"
    return "lies above" if (own.failed or 0.0) > (other.failed or 0.0) else "lies below"


def _certainty(overall: Group, bounds: Bounds | None) -> str:
    return f"{_complete(overall)}{_lost(overall, bounds) if bounds else ''}"


def _complete(overall: Group) -> str:
    share = overall.completeness
    if share is None:
        return "completeness of follow-up cannot be given: no time could have passed"
    if not overall.is_shown:
        return f"follow-up is {'at least' if share >= COMPLETE_ENOUGH else 'less than'} four fifths complete"
    if share >= COMPLETE_ENOUGH:
        return f"follow-up is {wording.percent(share)} complete"
    return f"follow-up is only {wording.percent(share)} complete, and those lost may have fared otherwise"


def _lost(overall: Group, bounds: Bounds) -> str:
    """Rule 10."""
    if not bounds.lost:
        return "; no repair is counted as lost"
    if not overall.is_shown:
        return f"; {wording.counted(bounds.lost, 'repair')} {_were(bounds.lost)} lost"
    lost = f"{'the' if bounds.lost == 1 else 'all'} {wording.counted(bounds.lost, 'repair')} lost"
    worst, by = Share.of(bounds.lost_failed), f"by {when(bounds.at)}"
    if worst.failed is None:
        return f"; {when(bounds.at)}, where {lost} would count, is {wording.NOT_REACHED}"
    would = f"{worst} would have failed {by}" if worst.limits else _without_limits(worst, by)
    return f"; had {lost} failed on the day of loss, {would}"


def _without_limits(worst: Share, by: str) -> str:
    known = {0.0: f"still none would have failed {by}", 1.0: f"none would be left standing {by}"}
    return known.get(worst.failed or 0.0, f"no interval could be had for the share failed {by}")


def _were(number: int) -> str:
    return "was" if number == 1 else "were"
