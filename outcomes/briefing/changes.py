"""What is different: from the last briefing to this one, and from a briefing to the record as it is now."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from django.utils import timezone
from django.utils.formats import date_format

from outcomes import wording
from outcomes.briefing.sentences import Reference, Share
from outcomes.estimators.survival import LANDMARK_DAYS
from outcomes.models import Briefing
from outcomes.strata import STRATA

Path = tuple[str, ...]

# What is set beside the last briefing, and how it is called there.
WATCHED: dict[Path, str] = {
    ("activity", "operations"): "Operations in the period",
    ("activity", "repairs"): "Repairs in the period",
    ("indications", "within", "share"): "Within usual indications",
    ("survival", "all", "repairs"): "Primary repairs followed",
    ("survival", "all", "failures"): "Failures among them",
    **{
        ("survival", "all", "standing", str(year), "share"): f"Standing at {wording.counted(year, 'year')}"
        for year in LANDMARK_DAYS
    },
    ("survival", "all", "median_follow_up", "estimate"): "Median follow-up (months)",
    ("survival", "all", "completeness"): "Follow-up complete",
    ("lost", "lost"): "Lost before two years",
    ("response", "all", "share"): "Planned reviews answered",
    ("looks", "looked_at"): "Tears looked at again",
    ("ramp", "looked", "share"): "ACL-torn knees looked at from behind",
    ("complications", "any", "share"): "Operations with a complication",
    ("complications", "severe", "share"): "Operations with a severe complication",
}
# These move from day to day though nobody writes to the record, so they are no sign of a change to it.
MOVE_WITH_THE_DAY = frozenset(
    {"asked", "completeness", "lost", "response", "funnel", "reached", "curve", "since_last", "cases"}
)
SHARES = frozenset({"share", "lower", "upper", "completeness"})


@dataclass(frozen=True, slots=True)
class Difference:
    """One number that was told otherwise: its name and both values, in words."""

    name: str
    was: str
    now: str


# --- since the last briefing ------------------------------------------------------------------


def since_last(previous: Briefing, now: Mapping[str, Any]) -> dict[str, Any]:
    """The watched numbers of both briefings, by their way through the block."""
    rows = {}
    for path in WATCHED:
        was, is_now = at(previous.numbers, path), at(now, path)
        if was is not None or is_now is not None:
            rows[".".join(path)] = {"was": was, "now": is_now}
    return {"briefing": str(previous.uuid), "numbers": rows}


def told_since_last(compared: Mapping[str, Any]) -> Iterator[Difference]:
    """The same in words."""
    for path, name in WATCHED.items():
        row = compared["numbers"].get(".".join(path))
        if row:
            yield Difference(name, _in_words(path, row["was"]), _in_words(path, row["now"]))


def reference_of(previous: Briefing, day: float) -> Reference | None:
    """The share failed that an earlier briefing told, read at a day; None where it told none."""
    year = next((year for year, days in LANDMARK_DAYS.items() if days == day), None)
    point = at(previous.numbers, ("survival", "all", "standing", str(year)))
    if not point or point.get("share") is None:
        return None
    failed, lower, upper = (
        None if point[name] is None else 1 - point[name] for name in ("share", "upper", "lower")
    )
    made_on = date_format(timezone.localtime(previous.made_at), "j F Y")
    return Reference(
        label=f"the briefing of {made_on}",
        n=at(previous.numbers, ("survival", "all", "repairs")),
        at=day,
        share=Share(failed, lower, upper),
    )


# --- since the record was read ----------------------------------------------------------------


def differences(frozen: Mapping[str, Any], again: Mapping[str, Any]) -> list[Difference]:
    """The numbers that are told otherwise when counted again; those that move with the day are left out."""
    was, now = dict(_comparable(frozen)), dict(_comparable(again))
    paths = [*was, *(path for path in now if path not in was)]
    return [
        Difference(_name(path), _in_words(path, was.get(path)), _in_words(path, now.get(path)))
        for path in paths
        if not _alike(was.get(path), now.get(path))
    ]


def at(numbers: Any, path: Path) -> Any:
    """The value at the end of a way through a block; None where it ends before."""
    for key in path:
        if not isinstance(numbers, Mapping) or key not in numbers:
            return None
        numbers = numbers[key]
    return numbers


def _comparable(numbers: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    if isinstance(numbers, Mapping):
        for key, value in numbers.items():
            if key not in MOVE_WITH_THE_DAY:
                yield from _comparable(value, (*path, str(key)))
    elif isinstance(numbers, int | float):
        yield path, numbers


def _alike(was: Any, now: Any) -> bool:
    """Alike to the last digits: another database may add in another order."""
    if was is None or now is None:
        return was is now
    return bool(abs(was - now) <= 1e-9 * max(abs(was), abs(now)))


# --- words ------------------------------------------------------------------------------------

# Steps of the way that tell a reader nothing.
_UNSAID = frozenset({"by", "groups", "findings", "points", "classes", "all"})
_SAID = {
    "lower": "lower limit",
    "upper": "upper limit",
    "of": "of how many",
    "log_rank": "log-rank test",
    "trend": "test for trend",
    "clustered": "test with the patient as cluster",
    "p": "P",
    "p_holm": "P after Holm",
    "mcid": "MCID",
    "pass": "PASS",
    "in_pass": "in PASS",
}
# Numbers under these are no shares, though their limits are called the same.
_NO_SHARES = frozenset({"median_follow_up", "change", "level", "kappa"})


def _in_words(path: Path, value: Any) -> str:
    if value is None:
        return "not told"
    if "median_follow_up" in path:
        return wording.months(value)
    if path[-1] in SHARES and not _NO_SHARES.intersection(path):
        return wording.percent(value)
    return f"{value:,}" if isinstance(value, int) else f"{value:,.4g}"


def _name(path: Path) -> str:
    if path in WATCHED:
        return WATCHED[path]
    section, *steps = [*_steps(path)]
    return f"{section[:1].upper()}{section[1:]}: {', '.join(steps)}"


def _steps(path: Path) -> Iterator[str]:
    """The way in words, levels of a stratum by their labels."""
    levels: Mapping[str, str] = STRATA["indications"].levels if path[0] == "indications" else {}
    for before, key in zip(("", *path), path, strict=False):
        if key in levels:
            yield levels[key]
        elif key in STRATA and before in ("case_mix", "by"):
            levels = STRATA[key].levels
            yield STRATA[key].title
        elif before == "standing":
            yield f"at {wording.counted(int(key), 'year')}"
        elif key not in _UNSAID:
            yield _SAID.get(key, key.replace("_", " "))
