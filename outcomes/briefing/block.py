"""The machine-readable data block: every number that a briefing shows, at full precision."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from outcomes.briefing.activity import Split
from outcomes.briefing.block_results import (
    Numbers,
    funnel_numbers,
    interval_numbers,
    lost_numbers,
    score_numbers,
    share_numbers,
    survival_numbers,
)
from outcomes.briefing.changes import since_last
from outcomes.briefing.gather import Contents
from outcomes.charts.beside_look import SHARES

__all__ = ["Numbers", "leaves", "numbers"]


def numbers(contents: Contents) -> Numbers:
    """All numbers by section, with what they are of. Days count from the operation; shares lie in 0 to 1.

    A group of too few has its counts alone.
    """
    brief = contents.brief
    told: Numbers = {
        "asked": {
            "unit": brief.unit.code,
            "since": _iso(brief.since),
            "until": _iso(brief.until),
            "closed_on": _iso(brief.closed_on),
            "definition": brief.definition.code,
            "record_version": contents.record_version,
        },
        "activity": _activity(contents),
        "case_mix": {split.stratum.code: _split(split, brief.fewest) for split in contents.mix},
        "indications": _split(contents.indications, brief.fewest),
        "survival": survival_numbers(contents),
        "looks": _looks(contents),
        "clinic": _clinic(contents),
        "ramp": _ramp(contents),
        "scores": score_numbers(contents),
        "complications": _complications(contents),
        "funnel": funnel_numbers(contents.funnel),
        "lost": lost_numbers(contents),
        "response": _response(contents),
        "cases": _cases(contents),
    }
    if contents.previous:
        told["since_last"] = since_last(contents.previous, told)
    return told


def leaves(numbers: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every single value of a block with the way to it."""
    if isinstance(numbers, Mapping):
        for key, value in numbers.items():
            yield from leaves(value, (*path, str(key)))
    elif isinstance(numbers, list):
        for place, value in enumerate(numbers):
            yield from leaves(value, (*path, str(place)))
    else:
        yield path, numbers


def _iso(day: Any) -> str | None:
    return day.isoformat() if day else None


# --- shares -----------------------------------------------------------------------------------


def _split(split: Split, fewest: int) -> Numbers:
    return {level.code: share_numbers(level.share, fewest) for level in split.levels}


def _activity(contents: Contents) -> Numbers:
    found = contents.activity
    names = ("repairs", "primary", "revision", "entered_late", "operations", "knees", "patients")
    by_year = {str(year): n for year, n in found.by_year}
    return {**{name: getattr(found, name) for name in names}, "by_year": by_year}


def _looks(contents: Contents) -> Numbers:
    found, fewest = contents.looks, contents.brief.fewest
    return {
        "repairs": found.repairs,
        "looked_at": found.looked_at,
        "classes": {code: share_numbers(share, fewest) for code, share in found.classes},
        "reasons": dict(found.reasons),
    }


def _clinic(contents: Contents) -> Numbers:
    found = contents.clinic
    counts = {name: getattr(found, name) for name in ("tears", "knees", "looked_at", "repairs")}
    findings: Numbers = {}
    for each in found.findings:
        shares = {_code(name): share_numbers(share(each), each.fewest) for name, share in SHARES.items()}
        told: Numbers = {"both": each.n, **shares}
        if each.kappa and each.n >= each.fewest:
            told["kappa"] = interval_numbers(each.kappa)
        findings[each.code] = told
    return {**counts, "findings": findings}


def _code(name: str) -> str:
    return name.lower().replace(" ", "_")


def _ramp(contents: Contents) -> Numbers:
    found, fewest = contents.ramp, contents.brief.fewest
    shares = {
        name: share_numbers(getattr(found, name), fewest) for name in ("looked", "found", "found_without")
    }
    return {**shares, "probed": found.probed, "not_recorded": found.not_recorded}


def _complications(contents: Contents) -> Numbers:
    found, fewest = contents.complications, contents.brief.fewest
    return {
        "kinds": dict(found.kinds),
        "grades": dict(found.grades),
        "any": share_numbers(found.any, fewest),
        "severe": share_numbers(found.severe, fewest),
    }


def _response(contents: Contents) -> Numbers:
    fewest = contents.brief.fewest
    return {
        code: {"given_up": found.given_up, **share_numbers(found.rate, fewest)}
        for code, found in contents.response.items()
    }


def _cases(contents: Contents) -> Numbers:
    found = contents.cases
    listed = [{"code": case.code, "month": case.month, "reason": case.reason} for case in found.listed]
    return {
        "since": _iso(found.since), "until": _iso(found.until), "total": found.total, "listed": listed
    }  # fmt: skip
