"""Cautions as data: what a reader must bear in mind, one sentence, threshold and source each. Pure."""

from dataclasses import dataclass

# The right end of a curve rests on few. The trade stops or fades curves where 10 to 20 remain (Pocock,
# Clayton, Altman. Lancet 2002;359:1686-9, from memory); ten is chosen by hand.
FEW_AT_RISK = 10
# Peduzzi et al. J Clin Epidemiol 1996;49:1503-10 (ten); Vittinghoff, McCulloch. Am J Epidemiol 2007;165:710-8
# (five to nine often suffice). Both from memory.
EVENTS_PER_COEFFICIENT_LEAST = 5
EVENTS_PER_COEFFICIENT_ENOUGH = 10
# Robust errors run small below some 20 to 50 clusters (Cameron AC, Miller DL. J Hum Resour 2015;50:317-72,
# from memory); the lower end.
FEW_CLUSTERS = 20
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
# Chosen by hand: below five a share says less than its counts, and may point at a person.
COUNTS_ONLY_BELOW = 5
# Chosen by hand: below ten a unit's share jumps too far with each failure to be given a place in a funnel.
REPAIRS_FOR_A_POSITION = 10
# Spiegelhalter. Stat Med 2005;24:1185-202: where only chance is at work the squared z-scores of I units sum
# to about chi-square on I degrees of freedom; the level is the conventional one.
OVER_DISPERSION_P = 0.05
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


def few_at_first_failure(at_risk: int) -> Caution | None:
    """With late entries, fewer than FEW_AT_RISK were at risk at the first failure."""
    if at_risk >= FEW_AT_RISK:
        return None
    return Caution(
        "few_at_first_failure",
        f"Repairs entered late left only {at_risk} at risk at the first failure (fewer than {FEW_AT_RISK}): "
        "the whole curve hangs on them.",
    )


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
        f"Only {looked_at:,} of {repairs:,} repairs were looked at, and not by chance: "
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


def counts_only(n: int) -> Caution | None:
    """Fewer than COUNTS_ONLY_BELOW stand behind a share."""
    if n >= COUNTS_ONLY_BELOW:
        return None
    return Caution(
        "counts_only", f"Only {n} in all (fewer than {COUNTS_ONLY_BELOW}): read the counts, not the share."
    )


def few_repairs(units_below: int) -> Caution | None:
    """Some units have fewer than REPAIRS_FOR_A_POSITION repairs."""
    if not units_below:
        return None
    return Caution(
        "few_repairs",
        f"Units with fewer than {REPAIRS_FOR_A_POSITION} repairs are given no position: {units_below} here.",
    )


def over_dispersed(p: float) -> Caution | None:
    """Units differ by more than chance, so that funnel limits that allow for chance alone are too narrow."""
    if p >= OVER_DISPERSION_P:
        return None
    return Caution(
        "over_dispersed",
        f"Units differ by more than chance (P = {p:.2g}), by case mix if nothing else: "
        "the limits allow for chance alone and too many units fall outside them.",
    )


def below_measurement_error(threshold: float, measurement_error: float) -> Caution | None:
    """A threshold of change lies below the smallest change that can be told from error in one person."""
    if threshold >= measurement_error:
        return None
    return Caution(
        "below_measurement_error",
        f"The threshold of {threshold:g} lies below the smallest change that can be told from measurement "
        f"error in one person ({measurement_error:g}): do not call one patient better by it.",
    )


def out_of_reach(too_near: int, answered: int) -> Caution | None:
    """Some began so near the best score that the threshold of change was out of their reach."""
    if not too_near:
        return None
    return Caution(
        "out_of_reach",
        f"{too_near} of {answered} began too near the best score for such a change; they are counted apart.",
    )


def not_converged() -> Caution:
    """A model's fit did not come to rest."""
    return Caution(
        "not_converged", "The model did not settle on one answer with these data, so no estimate is given."
    )


def nobody_twice() -> Caution:
    """No patient has scores at two time points, so a mixed model has nothing to go by."""
    return Caution(
        "nobody_twice", "No patient has scores at two time points, so no path over time is estimated."
    )


def patients_alike() -> Caution:
    """A mixed model finds no variation between patients."""
    return Caution(
        "patients_alike",
        "Patients differ no more than one patient's own scores do, so each score counts as independent.",
    )


def few_clusters(clusters: int | None) -> Caution | None:
    """Fewer than FEW_CLUSTERS clusters stand behind a robust error."""
    if clusters is None or clusters >= FEW_CLUSTERS:
        return None
    return Caution(
        "few_clusters",
        f"Only {clusters} clusters (fewer than {FEW_CLUSTERS}): robust errors come out too small.",
    )
