"""How a share with its interval is written where people are judged: of too few, by counts alone."""

from outcomes import wording
from outcomes.estimators.cautions import REPAIRS_FOR_A_POSITION
from outcomes.estimators.rates import Proportion

FEWEST_JUDGED = REPAIRS_FOR_A_POSITION


def is_judged(share: Proportion) -> bool:
    """Whether enough stand behind a share for it to be told."""
    return share.n >= FEWEST_JUDGED


def counts_said(share: Proportion) -> str:
    """The counts of a share: "7 of 19"."""
    return f"{share.x:,} of {share.n:,}"


def share_said(share: Proportion) -> str:
    """A share as "36.8 % (19.1 to 59.0)"; of fewer than FEWEST_JUDGED that they are too few."""
    if not is_judged(share) or share.lower is None or share.upper is None:
        return wording.TOO_FEW
    return wording.with_limits(share.estimate, share.lower, share.upper)


def share_in_full(share: Proportion) -> tuple[object, ...]:
    """Share and limits at full precision for a file, empty where they are not told."""
    return (share.estimate, share.lower, share.upper) if is_judged(share) else ("", "", "")
