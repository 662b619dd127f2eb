"""What a caller may ask of an analysis: each option with its rule, read from text."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any

from outcomes.analysis.reading import NUMBER, InputError, is_date, shown
from outcomes.estimators.survival import SCALES, IntervalScale


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The options as given; None where left out. Names of columns stay text."""

    duration: str | None = None
    event: str | None = None
    group: str | None = None
    strata: str | None = None
    cluster: str | None = None
    entry: str | None = None
    covariates: tuple[str, ...] | None = None
    reference: dict[str, str] | None = None
    at: tuple[str, ...] | None = None
    conf: IntervalScale | None = None
    tau: float | None = None
    lower: str | None = None
    upper: str | None = None
    total: str | None = None
    target: float | None = None
    expected: str | None = None
    odds_ratio: float | None = None
    limit: float | None = None
    start: str | None = None
    last: str | None = None
    failed: str | None = None
    close: str | None = None
    horizon: float | None = None
    keys: tuple[str, ...] | None = None
    sensitive: str | None = None

    @classmethod
    def read(cls, texts: Mapping[str, Any]) -> Asked:
        """Read what was given on a command line; names that are no options are passed over.

        Raises
        ------
        InputError
            If a text breaks the rule of its option.
        """
        given = {name: texts[name] for name in OPTIONS if texts.get(name) is not None}
        return cls(**{name: OPTIONS[name].read(flag(name), text) for name, text in given.items()})

    def given(self) -> set[str]:
        """Names of the options that were given."""
        return {name for name in OPTIONS if getattr(self, name) is not None}


@dataclass(frozen=True, slots=True)
class Option:
    """How an option is shown in the help and read."""

    shows: str
    help: str
    read: Callable[[str, Any], Any]


def flag(name: str) -> str:
    """The option as it is typed."""
    return f"--{name.replace('_', '-')}"


def _name(option: str, text: str) -> str:
    if not text.strip():
        raise InputError(f"{option} is empty: give the name of a column.")
    return text.strip()


def _names(option: str, text: str) -> tuple[str, ...]:
    names = tuple(_name(option, name) for name in text.split(","))
    if len(set(names)) < len(names):
        raise InputError(f"{option} {shown(text)} names a column twice: name each once.")
    return names


def _references(option: str, texts: list[str]) -> dict[str, str]:
    levels = {}
    for text in texts:
        name, equals, level = (part.strip() for part in text.partition("="))
        if not (name and equals and level):
            raise InputError(f"{option} {shown(text)} is not COL=LEVEL: write as in zone=red-red.")
        levels[name] = level
    return levels


def _days(option: str, text: str) -> tuple[str, ...]:
    days = tuple(day.strip() for day in text.split(","))
    for day in days:
        _number(option, day, lambda value: value >= 0, "numbers, 0 or more, separated by commas")
    return days


def _scale(option: str, text: str) -> str:
    if text not in SCALES:
        raise InputError(f"{option} {shown(text)} is no scale of an interval: choose {', '.join(SCALES)}.")
    return text


def _day(option: str, text: str) -> str:
    if not is_date(text):
        raise InputError(f"{option} {shown(text)} is not a date: write it as 2026-01-31.")
    return text


def _number(option: str, text: object, holds: Callable[[float], bool], rule: str) -> float:
    said = str(text).strip()
    if not (NUMBER.fullmatch(said) and isfinite(float(said)) and holds(float(said))):
        raise InputError(f"{option} {shown(said)} is not allowed: give {rule}.")
    return float(said)


def _positive(option: str, text: object) -> float:
    return _number(option, text, lambda value: value > 0, "a number above 0")


def _share(option: str, text: object) -> float:
    return _number(option, text, lambda value: 0 < value < 1, "a number between 0 and 1, and neither")


def _odds_ratio(option: str, text: object) -> float:
    rule = "a number above 0 other than 1; 2 looks for twice the odds, 0.5 for half"
    return _number(option, text, lambda value: value > 0 and value != 1, rule)


OPTIONS: dict[str, Option] = {
    "duration": Option("COL", "time from repair to failure or to last known well", _name),
    "event": Option("COL", "1 failed, 0 not; causes 1, 2, ... or counts where the method says so", _name),
    "group": Option("COL", "one result for each value of this column, instead of one for all rows", _name),
    "strata": Option("COL", "adjust for this column by comparing within its values", _name),
    "cluster": Option("COL", "rows that share a value, a patient say, are not independent", _name),
    "entry": Option("COL", "time from which a row was at risk: entered late", _name),
    "covariates": Option("A,B", "columns to adjust for each other", _names),
    "reference": Option(
        "COL=LEVEL",
        "level a text covariate is compared with (first of the alphabet); may be repeated",
        _references,
    ),
    "at": Option("365,730", "times to read the curve at", _days),
    "conf": Option("SCALE", f"scale of the 95 %% interval: {', '.join(SCALES)} (log-log)", _scale),
    "tau": Option("T", "mean up to this time (smallest of the groups' last times)", _positive),
    "lower": Option("COL", "last time known intact; 0 when never looked at before", _name),
    "upper": Option("COL", "first time known failed; empty when never, equal to lower when exact", _name),
    "total": Option("COL", "repairs of each unit", _name),
    "target": Option("P", "share expected of every unit (pooled share)", _share),
    "expected": Option("COL", "risk of failure expected of each repair", _name),
    "odds_ratio": Option("R", "change of odds to look for (2)", _odds_ratio),
    "limit": Option("H", "signal where the path reaches this, then start again at 0", _positive),
    "start": Option("COL", "date of repair", _name),
    "last": Option("COL", "date last known well", _name),
    "failed": Option("COL", "date of failure, empty when none", _name),
    "close": Option("DATE", "day of analysis, as 2026-01-31", _day),
    "horizon": Option("DAYS", "count follow-up up to so many days only", _positive),
    "keys": Option("A,B", "columns by which a person could be recognised", _names),
    "sensitive": Option("COL", "column nobody should learn about a person", _name),
}
