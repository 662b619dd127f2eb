"""How long work says how far it is. Pure."""

from collections.abc import Callable

# Which step, how much of it is done, and of how much, 0 where not known; what it raises stops the work.
Tell = Callable[[str, int, int], None]


class WorkStoppedError(Exception):
    """The work was cancelled, or somebody else has taken it over."""


def silently(step: str, done: int, total: int) -> None:
    """Tell nobody."""
