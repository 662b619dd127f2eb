"""Numbers checked in words: counts, amounts and shares that the estimators of this folder are given."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sized
from math import isfinite, nan
from typing import SupportsFloat


def count(name: str, value: SupportsFloat) -> int:
    """Give `value` as an int, or raise ValueError when it is no count."""
    return int(
        _checked(
            name,
            value,
            "it must be a whole number, 0 or more; count again",
            lambda number: number >= 0 and number == int(number),
        )
    )


def counts(name: str, values: Iterable[SupportsFloat]) -> list[int]:
    """Give `values` as ints, or raise ValueError naming the first that is no count."""
    return [count(f"{name}[{row}]", value) for row, value in enumerate(values)]


def amount(name: str, value: SupportsFloat) -> float:
    """Give `value` as a float, or raise ValueError when it is negative or not finite."""
    return _checked(name, value, "it must be finite and 0 or more; sum it anew", lambda number: number >= 0)


def above_zero(name: str, value: SupportsFloat) -> float:
    """Give `value` as a float, or raise ValueError when it is not above 0 or not finite."""
    return _checked(name, value, "it must be finite and above 0; choose another", lambda number: number > 0)


def finite(name: str, value: SupportsFloat) -> float:
    """Give `value` as a float, or raise ValueError when it is not finite."""
    return _checked(name, value, "it must be a finite number; correct it", lambda number: True)


def share(name: str, value: SupportsFloat) -> float:
    """Give `value` as a float, or raise ValueError when it is no share between 0 and 1."""
    return _checked(
        name,
        value,
        "it must be between 0 and 1; give a share, not a per cent",
        lambda number: 0 <= number <= 1,
    )


def inner_share(name: str, value: SupportsFloat) -> float:
    """Give `value` as a float, or raise ValueError when it is no share above 0 and below 1."""
    return _checked(
        name,
        value,
        "it must be above 0 and below 1; give a share, not a per cent",
        lambda number: 0 < number < 1,
    )


def same_length(**columns: Sized) -> None:
    """Raise ValueError when two named columns differ in length."""
    (first, column), *others = columns.items()
    for name, other in others:
        if len(other) != len(column):
            raise ValueError(
                f"{name} has {len(other)} values, {first} has {len(column)}: give one of each for every row"
            )


def _checked(name: str, value: SupportsFloat, rule: str, holds: Callable[[float], bool]) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = nan
    if not (isfinite(number) and holds(number)):
        raise ValueError(f"{name} is {value}: {rule}")
    return number
