"""Cautions as data: what a reader must bear in mind, one sentence, threshold and source each. Pure."""

from dataclasses import dataclass

# The right end of a curve rests on few. The trade stops or fades curves where 10 to 20 remain (Pocock,
# Clayton, Altman. Lancet 2002;359:1686-9, from memory); ten is chosen by hand.
FEW_AT_RISK = 10
# Peduzzi et al. J Clin Epidemiol 1996;49:1503-10 (ten); Vittinghoff, McCulloch. Am J Epidemiol 2007;165:710-8
# (five to nine often suffice). Both from memory.
EVENTS_PER_COEFFICIENT_LEAST = 5
EVENTS_PER_COEFFICIENT_ENOUGH = 10
# Curves cross when each lies above the other by at least this much somewhere; chosen by hand.
CROSSING_MARGIN = 0.02
# Conventional level of the test of proportional hazards (Grambsch, Therneau. Biometrika 1994;81:515-26).
NON_PROPORTIONAL_P = 0.05
# One patient, one repair: no cluster.
MEMBERS_OF_A_CLUSTER = 1
# Where at least so many were looked at, the looks speak for all; chosen by hand.
LOOKED_AT_ENOUGH = 0.8
# Clark, Altman, De Stavola. Lancet 2002;359:1309-10 gives the index; the limit, four fifths, has no source.
COMPLETE_ENOUGH = 0.8
# Terwee et al. J Clin Epidemiol 2007;60:34-42: more than 15 % at the best score is a ceiling (from memory).
CEILING_SHARE = 0.15


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: a stable code for programs, a sentence for people."""

    code: str
    sentence: str


def few_at_risk(at_risk: int) -> Caution | None:
    """Fewer than FEW_AT_RISK remain at risk where the estimate is read."""
    if at_risk >= FEW_AT_RISK:
        return None
    return Caution("few_at_risk", f"Only {at_risk} remain at risk (fewer than {FEW_AT_RISK}).")


def few_events(events: int, coefficients: int) -> Caution | None:
    """Fewer than EVENTS_PER_COEFFICIENT_ENOUGH events for each coefficient."""
    if not coefficients or events >= EVENTS_PER_COEFFICIENT_ENOUGH * coefficients:
        return None
    return Caution(
        "few_events",
        f"{events / coefficients:.1f} events a coefficient (fewer than {EVENTS_PER_COEFFICIENT_ENOUGH}):"
        " estimates may be unstable.",
    )


def crossing_curves(first: str, second: str) -> Caution:
    """Two curves cross; comparison.crossing() finds them."""
    return Caution(
        "crossing_curves",
        f"The curves of {first} and {second} cross, so one number for their difference misleads.",
    )


def non_proportional(name: str, p: float) -> Caution | None:
    """The test of proportional hazards falls below NON_PROPORTIONAL_P."""
    if p >= NON_PROPORTIONAL_P:
        return None
    return Caution(
        "non_proportional",
        f"The hazard ratio of {name} changes over time (test of proportional hazards P = {p:.2g}).",
    )


def clustered(largest_cluster: int) -> Caution | None:
    """Some patient has more than one repair and the method treats repairs as independent."""
    if largest_cluster <= MEMBERS_OF_A_CLUSTER:
        return None
    return Caution(
        "clustered",
        "Repairs of one patient are not independent; this interval or test treats them as if they were.",
    )


def informative_looks(looked_at: int, repairs: int) -> Caution | None:
    """Some repairs were looked at and others not, too few for the looks to speak for all."""
    if not looked_at or looked_at >= LOOKED_AT_ENOUGH * repairs:
        return None
    return Caution(
        "informative_looks",
        f"Only {looked_at} of {repairs} repairs were looked at, and not by chance: "
        "staged knees are looked at because they are staged, others because they hurt.",
    )


def incomplete_follow_up(completeness: float | None) -> Caution | None:
    """Completeness of follow-up below COMPLETE_ENOUGH."""
    if completeness is None or completeness >= COMPLETE_ENOUGH:
        return None
    return Caution(
        "incomplete_follow_up",
        f"Follow-up is {100 * completeness:.1f} % complete: those lost may have fared otherwise.",
    )


def ceiling(at_best: int, answered: int) -> Caution | None:
    """More than CEILING_SHARE start at the best score, and cannot improve."""
    if not answered or at_best <= CEILING_SHARE * answered:
        return None
    return Caution(
        "ceiling",
        f"{at_best} of {answered} began at the best score and cannot improve; they are counted apart.",
    )
