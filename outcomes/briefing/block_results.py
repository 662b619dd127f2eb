"""The numbers of results as the data block has them: shares, survival, scores, funnel."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from statsmodels.stats.multitest import multipletests

from outcomes.briefing.gather import Contents
from outcomes.estimators.centre import Centre
from outcomes.estimators.change import PairedChange, ShareReaching
from outcomes.estimators.rates import Proportion
from outcomes.estimators.survival import LANDMARK_DAYS, Interval, Landmark, SurvivalCurve
from outcomes.own import FunnelResult
from outcomes.results import Group, SurvivalResult

Numbers = dict[str, Any]

ENDLESS = "infinite"


def share_numbers(found: Proportion, fewest: int) -> Numbers:
    """Counts, with the share and its limits where enough stand behind it."""
    counts = {"count": found.x, "of": found.n}
    if found.n < fewest or found.counts_only:
        return counts
    return {**counts, "share": found.estimate, "lower": found.lower, "upper": found.upper}


def survival_numbers(contents: Contents) -> Numbers:
    """All repairs, and each split with its tests."""
    overall = contents.survival[0].overall
    late = {"entered_late": contents.survival[0].entered_late, "left_out": contents.survival[0].left_out}
    by = {result.stratum_code: _by_stratum(result) for result in contents.survival}
    for code, p_holm in _after_holm(contents.survival).items():
        by[code]["p_holm"] = p_holm
    return {"all": _group(overall), **late, "by": by}


def _after_holm(results: Sequence[SurvivalResult]) -> dict[str, float]:
    """P of each split tested after Holm over all of them, as the headline reads it."""
    tested = [result for result in results if result.comparison]
    if not tested:
        return {}
    adjusted = multipletests([_p(result) for result in tested], method="holm")[1].tolist()
    return {result.stratum_code: p_holm for result, p_holm in zip(tested, adjusted, strict=True)}


def _p(result: SurvivalResult) -> float:
    clustered = result.clustered_test.p if result.clustered_test else None
    if clustered is not None:
        return clustered
    return result.comparison.p if result.comparison else 1.0


def _by_stratum(result: SurvivalResult) -> Numbers:
    told: Numbers = {"groups": {group.code: _group(group) for group in result.groups}}
    if result.comparison:
        told["log_rank"] = _test(result.comparison)
    if result.trend:
        told["trend"] = {"z": result.trend.z, "p": result.trend.p}
    if result.clustered_test and result.clustered_test.p is not None:
        told["clustered"] = _test(result.clustered_test)
    return told


def _test(test: Any) -> Numbers:
    return {"chi_square": test.statistic, "degrees": test.df, "p": test.p}


def _group(group: Group) -> Numbers:
    curve = group.curve
    standing = zip(LANDMARK_DAYS, curve.landmarks, strict=True)
    counts = {"repairs": curve.n, "failures": curve.events, "ended_otherwise": group.ended_otherwise}
    if not group.is_shown:
        return {**counts, "standing": {str(year): {"at_risk": point.at_risk} for year, point in standing}}
    return {
        **counts,
        "standing": {str(year): _landmark(point) for year, point in standing},
        "median_follow_up": interval_numbers(group.follow_up),
        "completeness": group.completeness,
        "curve": _curve(curve),
    }


def _landmark(point: Landmark) -> Numbers:
    return {
        "share": point.survival, "lower": point.lower, "upper": point.upper, "at_risk": point.at_risk
    }  # fmt: skip


def interval_numbers(found: Interval | Any) -> Numbers:
    """An estimate with its limits."""
    return {"estimate": found.estimate, "lower": found.lower, "upper": found.upper}


def _curve(curve: SurvivalCurve) -> Numbers:
    """The curve where it changes or is drawn: one entry a distinct time."""
    columns = {
        "day": curve.time,
        "share": curve.survival,
        "lower": curve.lower,
        "upper": curve.upper,
        "at_risk": curve.at_risk,
    }
    return {name: list(values) for name, values in columns.items()}


def lost_numbers(contents: Contents) -> Numbers:
    """Bounds and tipping point of what the lost could change."""
    found = contents.lost
    told: Numbers = {"lost": found.lost, "at": found.at}
    print_ = found.published
    told["in_print"] = {"share": print_.share, "lower": print_.lower, "upper": print_.upper}
    if found.bounds:
        for name in ("as_followed", "lost_failed", "lost_never_failed"):
            told[name] = _landmark(getattr(found.bounds, name))
    if found.tipping:
        ratio = found.tipping.ratio
        told["tipping_ratio"] = ENDLESS if ratio == float("inf") else ratio
    return told


def score_numbers(contents: Contents) -> Numbers:
    """The course of the scale, time point by time point."""
    course = contents.course
    points = {
        point.code: {
            "reached": point.reached,
            "answered": point.answered,
            "not_scorable": point.not_scorable,
            "both": point.both,
            **_if_told("level", point.level, interval_numbers),
            **_if_told("change", point.change, interval_numbers),
            **_if_told("improved", point.improved, _reaching),
            **_if_told("in_pass", point.in_pass, _reaching),
        }
        for point in course.points
    }
    limits = {"mcid": course.mcid, "pass": course.passing}
    return {
        "scale": f"{course.instrument.code}.{course.scale.code}",
        "knees": course.knees,
        "entered_late": course.entered_late,
        "points": points,
        **{name: limit.value for name, limit in limits.items() if limit},
    }


Found = Centre | PairedChange | ShareReaching


def _if_told(name: str, found: Found | None, tell: Callable[[Any], Numbers]) -> Numbers:
    return {name: tell(found)} if found else {}


def _reaching(found: ShareReaching) -> Numbers:
    return {**share_numbers(found.reached, 0), "out_of_reach": found.out_of_reach}


def funnel_numbers(result: FunnelResult) -> Numbers:
    """Points, limits and target."""
    names = ("results", "failures", "early", "lost", "entered_late", "without_place", "hidden")
    told: Numbers = {name: getattr(result, name) for name in names}
    if result.funnel:
        told["target"] = result.funnel.target
        told["dispersion"] = result.funnel.over_dispersion
    told["points"] = [
        {"label": point.label, "results": unit.total, "failures": unit.events, "share": unit.share}
        | _named(unit, ("lower_95", "upper_95", "lower_998", "upper_998"))
        for point in result.points
        for unit in (point.unit,)
    ]
    if result.limits:
        columns = _named(result.limits, ("repairs", "lower_95", "upper_95", "lower_998", "upper_998"))
        told["limits"] = {name: list(values) for name, values in columns.items()}
    return told


def _named(found: Any, names: Iterable[str]) -> Numbers:
    return {name: getattr(found, name) for name in names}
