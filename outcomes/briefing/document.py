"""The briefing as one HTML file: results, figures, style sheet and scripts all inside."""

from __future__ import annotations

import json
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from django.contrib.staticfiles import finders
from django.template.loader import render_to_string
from django.utils.safestring import SafeString, mark_safe

from outcomes.briefing.asked import RULE
from outcomes.briefing.block import Numbers
from outcomes.briefing.gather import Contents
from outcomes.briefing.sections import REFERENCE, SENTENCE, sections, told_once
from outcomes.own.funnel import SMALL_NUMBERS
from outcomes.strata import STRATA

CAUTIONS = (
    SMALL_NUMBERS,
    "Counts, not causes: groups differ in whom they hold, and nothing here was given at random.",
    "For audit and research. Not a medical device; gives no treatment advice. Local protocol and the "
    "operating surgeon decide.",
)


def briefing_html(contents: Contents, numbers: Numbers, made_at: datetime) -> str:
    """The whole document with its data block. It names the unit, never surgeons or patients."""
    brief, told = contents.brief, sections(contents, numbers.get("since_last"))
    context: dict[str, Any] = {
        "brief": brief,
        "made_at": made_at,
        "headline": contents.headline,
        "rule": RULE,
        "cautions": (*CAUTIONS, *_of_all_splits(contents)),
        "sections": told,
        "methods": told_once(told, "Method", end=SENTENCE),
        "references": sorted(told_once(told, "References", "Form", end=REFERENCE)),
        "definition": brief.definition,
        "strata": [stratum for stratum in STRATA.values() if stratum.note],
        "counted": told_once(told, "Counted", "Paired"),
        "numbers": mark_safe(json_for_script(numbers)),  # noqa: S308 - escaped for its script element
        "style": inline("registry/rimward.css"),
        "own_style": inline("outcomes/briefing.css"),
        "plotly": inline("plotly/plotly.min.js"),
        "module": inline("outcomes/figure.js"),
    }
    return render_to_string("outcomes/briefing.html", context)


def _of_all_splits(contents: Contents) -> list[str]:
    """The cautions of survival that are not of one split alone."""
    first, *others = contents.survival
    return [caution for caution in first.cautions if all(caution in other.cautions for other in others)]


def json_for_script(numbers: Numbers) -> str:
    """JSON that may stand in a script element: nothing in it can end the element."""
    text = json.dumps(numbers, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


@cache
def inline(static_path: str) -> SafeString:
    """The text of one of our own or an installed package's static files, to stand inside the document."""
    found = finders.find(static_path)
    if not isinstance(found, str):
        raise FileNotFoundError(f"Static file {static_path} is missing: install the dependencies again.")
    return mark_safe(Path(found).read_text(encoding="utf-8"))  # noqa: S308 - our own files, never input
