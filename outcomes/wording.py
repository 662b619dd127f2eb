"""How numbers are written: one way each, everywhere."""

from outcomes.estimators.survival import Interval, Landmark

DAYS_PER_MONTH = 365.25 / 12
NOT_REACHED = "not reached"
TOO_FEW = "too few"


def percent(share: float | None) -> str:
    """A share in [0, 1] as per cent with one decimal, a dash when undefined."""
    return "-" if share is None else f"{100 * share:.1f} %"


def share_with_interval(point: Landmark) -> str:
    """A survival with its interval: "82.1 % (78.0 to 85.6)"."""
    if point.survival is None:
        return "-"
    if point.lower is None or point.upper is None:
        return percent(point.survival)
    return with_limits(point.survival, point.lower, point.upper)


def with_limits(share: float | None, lower: float, upper: float) -> str:
    """Shares in [0, 1] in per cent with one decimal: "82.1 % (78.0 to 85.6)"."""
    return f"{percent(share)} ({100 * lower:.1f} to {100 * upper:.1f})"


def months(days: float | None) -> str:
    """A length in days as months with one decimal."""
    return NOT_REACHED if days is None else f"{days / DAYS_PER_MONTH:.1f}"


def months_with_interval(days: Interval) -> str:
    """A median in months with its interval; a limit that is not reached says so."""
    if days.estimate is None:
        return NOT_REACHED
    return f"{months(days.estimate)} ({months(days.lower)} to {months(days.upper)})"


def p_value(p: float) -> str:
    """P to two digits, below 0.001 as "< 0.001"."""
    if p < 0.001:
        return "P < 0.001"
    return f"P = {p:.2g}" if p < 0.995 else "P = 1.0"


def counted(n: int, singular: str, plural: str = "") -> str:
    """A count with its noun in the right number."""
    return f"{n:,} {singular if n == 1 else plural or singular + 's'}"
