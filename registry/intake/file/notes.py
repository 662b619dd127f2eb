"""What was special about a sheet, in words for the person who brought it."""

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise

from registry.intake.file.sheet import letters

_MOST_NAMED = 12


def merged(ranges: Sequence[str]) -> list[str]:
    """That the cells of these ranges now all have a value."""
    if not ranges:
        return []
    return [f"Merged cells were filled with the value they show: {_named(ranges)}."]


def hidden_columns(spans: Iterable[tuple[int, int]], width: int) -> list[str]:
    """That hidden columns (from 1, first and last) were read too, of those in use."""
    used = [(first, min(last, width)) for first, last in spans if first <= width]
    if not used:
        return []
    return [f"Hidden columns were read too: {_named([_span(letters, *each) for each in used])}."]


def hidden_rows(rows: Iterable[int], last: int) -> list[str]:
    """That hidden rows (ascending, from 1) were read too, of those in use."""
    used = [row for row in rows if row <= last]
    if not used:
        return []
    starts = [used[0], *(row for before, row in pairwise(used) if row != before + 1)]
    ends = [*(before for before, row in pairwise(used) if row != before + 1), used[-1]]
    spans = [_span(lambda place: str(place + 1), *each) for each in zip(starts, ends, strict=True)]
    return [f"Hidden rows were read too: {_named(spans)}."]


def _span(name: Callable[[int], str], first: int, last: int) -> str:
    return name(first - 1) if first == last else f"{name(first - 1)} to {name(last - 1)}"


def _named(places: Sequence[str]) -> str:
    more = len(places) - _MOST_NAMED
    return ", ".join(places[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
