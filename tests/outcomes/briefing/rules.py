"""The rules of the headline, each a check of the words against the numbers.

The numbers are read from the steps of the curves and from the tests' own P values, without the code of the
sentences.
"""

import re
from collections.abc import Callable

from outcomes.results import Group
from tests.outcomes.briefing.generated import ONE_YEAR, TWO_YEARS, Case

PERCENT = r"(\d+\.\d) % \((\d+\.\d) to (\d+\.\d)\)"


def read_at(group: Group, day: int) -> tuple[float, float | None, float | None] | None:
    """Share failed with its limits on a day, from the steps; None past the last time."""
    curve = group.curve
    if day > curve.time[-1]:
        return None
    passed = [place for place, time in enumerate(curve.time) if time <= day]
    if not passed:
        return 0.0, None, None
    lower, upper = curve.lower[passed[-1]], curve.upper[passed[-1]]
    limits = (None, None) if lower is None or upper is None else (1 - upper, 1 - lower)
    return 1 - curve.survival[passed[-1]], *limits


def landmark(group: Group) -> tuple[int, tuple[float, float | None, float | None]] | None:
    for day in (TWO_YEARS, ONE_YEAR):
        found = read_at(group, day)
        if found is not None:
            return day, found
    return None


def p_values(case: Case) -> list[float]:
    tested = [result for result in case.results if result.comparison]
    return [
        result.clustered_test.p
        if result.clustered_test and result.clustered_test.p is not None
        else result.comparison.p  # type: ignore[union-attr]
        for result in tested
    ]


def smallest_after_holm(p: list[float]) -> float:
    """Holm S. Scand J Stat 1979;6:65-70: the smallest times their number."""
    return min(1.0, min(p) * len(p)) if p else 1.0


def near(text: str, share: float | None) -> bool:
    return share is not None and abs(float(text) - 100 * share) <= 0.0501


def small(case: Case) -> bool:
    return case.overall.curve.n < 5


# --- the rules: each a check of words against numbers -------------------------------------------


def counts_are_said(case: Case) -> bool:
    curve = case.overall.curve
    n, events = re.match(r"([\d,]+) repairs? \w+ counted, with (no|[\d,]+) failures?", case.said[0]).groups()  # type: ignore[union-attr]
    return int(n.replace(",", "")) == curve.n and (0 if events == "no" else int(events)) == curve.events


def share_failed_is_that_of_the_landmark(case: Case) -> bool:
    found, told = landmark(case.overall), re.search(PERCENT, case.said[0])
    if small(case) or found is None or None in found[1]:
        return told is None
    year = "2 years" if found[0] == TWO_YEARS else "1 year"
    said = told and all(near(text, share) for text, share in zip(told.groups(), found[1], strict=True))
    return bool(said) and f"had failed by {year}" in case.said[0]


def what_is_not_reached_is_said(case: Case) -> bool:
    found = landmark(case.overall)
    missing = not small(case) and (found is None or found[0] != TWO_YEARS)
    return ("not reached" in case.said[0]) == missing


def few_at_risk_are_said(case: Case) -> bool:
    found = landmark(case.overall)
    told = re.search(r"only (\d+) repairs? at risk", case.said[0])
    if small(case) or found is None:
        return told is None
    at_risk = sum(
        events + censored
        for time, events, censored in zip(
            case.overall.curve.time, case.overall.curve.events_at, case.overall.curve.censored_at, strict=True
        )
        if time >= found[0]
    )
    return (told is not None) == (at_risk < 10) and (told is None or int(told[1]) == at_risk)


def every_per_cent_has_its_interval(case: Case) -> bool:
    bare = re.sub(rf"{PERCENT}|\d+\.\d % complete", "", case.text)
    return "%" not in bare and all(
        float(lower) <= float(share) <= float(upper) for share, lower, upper in re.findall(PERCENT, case.text)
    )


def no_per_cent_on_fewer_than_five(case: Case) -> bool:
    groups = [int(n.replace(",", "")) for n in re.findall(r"\(n = ([\d,]+)\)", case.text)]
    if small(case) and ("%" in case.text or "P =" in case.text):
        return False
    few = case.reference is not None and case.reference.n < 5
    return all(n >= 5 for n in groups) and not (few and "told apart" in case.said[1].split(";")[0])


def one_is_singular_and_all_else_plural(case: Case) -> bool:
    wrong_one = r"\b1 (repairs|failures|years|splits)\b|\b1 repair were\b|all 1 repair"
    wrong_many = (
        r"(?<![\d.,])(?!1 )\d[\d,]* (repair|failure|year|split)\b|(?<![\d.,])(?!1 )\d[\d,]* repairs was\b"
    )
    return not re.search(f"{wrong_one}|{wrong_many}|\\b0 (repair|failure)", case.text)


def nothing_is_judged(case: Case) -> bool:
    return not re.search(r"significan|better|worse|surgeon(?!s agree least)|proves|caused", case.text, re.I)


def direction_agrees_with_the_numbers(case: Case) -> bool:
    told = re.search(
        rf"That (lies above|lies below|is the same to one decimal as) the {PERCENT}", case.said[1]
    )
    if told is None:
        return "lies" not in case.said[1]
    own, other = (landmark(case.overall) or (0, (0.0,)))[1][0], case.reference.share.failed  # type: ignore[union-attr]
    if told[1].startswith("is the same"):
        return f"{100 * (own or 0.0):.1f}" == f"{100 * (other or 0.0):.1f}"
    return ((own or 0.0) > (other or 0.0)) == (told[1] == "lies above")


def set_beside_the_reference_with_the_hedge_of_its_limits(case: Case) -> bool:
    first = case.said[1].split("; failure differs")[0]
    if case.reference is None or small(case):
        return "briefing of" not in case.text
    found, share = landmark(case.overall), case.reference.share
    comparable = found and None not in found[1] and found[0] == case.reference.at and case.reference.n >= 5
    if not comparable:
        return first.startswith("There is no comparison with the briefing of 3 May 2025")
    _, lower, upper = found[1]  # type: ignore[index]
    apart = lower > share.upper or share.lower > upper  # type: ignore[operator]
    hedge = "limits do not overlap; no test was made" if apart else "cannot be told apart"
    return hedge in first and (apart or "do not overlap" not in first)


def a_difference_needs_a_test_and_an_estimate(case: Case) -> bool:
    p = p_values(case)
    holm = smallest_after_holm(p)
    claimed = re.search(
        rf"differs by (.+?) by more than chance would usually give \(.*\), at (\d) years? from "
        rf"(?:{PERCENT}|no failure) in (.+?) \(n = \S+ to {PERCENT} in (.+?) \(n",
        case.said[1],
    )
    if "differs" not in case.said[1]:
        return True
    return bool(claimed) and holm < 0.05 and min(p) < 0.05 and "an association, not a cause" in case.said[1]


def the_ends_are_the_lowest_and_the_highest(case: Case) -> bool:
    told = re.search(
        r"differs by (.+?) by more.*from (.+?) in (.+?) \(n = .*? to (\S+) % .*? in (.+?) \(n", case.said[1]
    )
    if told is None:
        return True
    result = next(result for result in case.results if result.stratum_title == told[1])
    day = (landmark(case.overall) or (TWO_YEARS,))[0]
    failed = {group.label: found[0] for group in result.groups if (found := read_at(group, day))}
    known = [
        failed[group.label] for group in result.groups
        if group.code != "unknown" and group.curve.n >= 5 and group.label in failed
        and ((None not in (read_at(group, day) or ())) or failed[group.label] == 0)
    ]  # fmt: skip
    return failed[told[3]] == min(known) and failed[told[5]] == max(known) and near(told[4], max(known))


def no_difference_is_hedged(case: Case) -> bool:
    if small(case) or case.reference or "differs" in case.said[1]:
        return True
    p = p_values(case)
    if not p:
        return case.said[1].startswith("No groups were compared")
    if smallest_after_holm(p) < 0.05:
        return case.said[1].startswith("No groups are said to differ: too few")
    return "cannot be told apart, which does not show that they are alike" in case.said[1]


def no_p_without_estimate(case: Case) -> bool:
    return all(re.search(PERCENT, sentence) for sentence in case.said if re.search(r"\bP [=<]", sentence))


def a_split_by_zone_carries_its_caution(case: Case) -> bool:
    return ("differs by vascular zone" in case.text) == (
        "zone is the field on which surgeons agree least" in case.text
    )


def completeness_is_said_and_warned_of(case: Case) -> bool:
    share = case.overall.completeness
    if share is None:
        return "cannot be given" in case.said[2]
    if small(case):
        return ("less than four fifths" in case.said[2]) == (share < 0.8)
    told = re.search(r"is (only )?(\d+\.\d) % complete", case.said[2])
    warned = "may have fared otherwise" in case.said[2]
    return bool(told) and near(told[2], share) and bool(told[1]) == warned == (share < 0.8)  # type: ignore[index]


def had_the_lost_failed_is_said(case: Case) -> bool:
    found = case.bounds
    if not found.lost:
        return "no repair is counted as lost" in case.said[2]
    counted = re.search(r"(\d+) repairs? (?:was |were )?lost", case.said[2])
    if counted is None or int(counted[1]) != found.lost:
        return False
    told, own = re.search(PERCENT, case.said[2]), re.search(PERCENT, case.said[0])
    if small(case) or found.lost_failed.survival is None or found.lost_failed.lower is None:
        return told is None
    worst = near(told[1], 1 - found.lost_failed.survival) if told else False
    return worst and (own is None or float(told[1]) >= float(own[1]))  # type: ignore[index]


RULES: tuple[Callable[[Case], bool], ...] = (
    counts_are_said,
    share_failed_is_that_of_the_landmark,
    what_is_not_reached_is_said,
    few_at_risk_are_said,
    every_per_cent_has_its_interval,
    no_per_cent_on_fewer_than_five,
    one_is_singular_and_all_else_plural,
    nothing_is_judged,
    direction_agrees_with_the_numbers,
    set_beside_the_reference_with_the_hedge_of_its_limits,
    a_difference_needs_a_test_and_an_estimate,
    the_ends_are_the_lowest_and_the_highest,
    no_difference_is_hedged,
    no_p_without_estimate,
    a_split_by_zone_carries_its_caution,
    completeness_is_said_and_warned_of,
    had_the_lost_failed_is_said,
)
