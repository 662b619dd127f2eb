"""Help, Methods: what counts as failing, how everything is worked out, and from which sources."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from outcomes.failure import DEFINITIONS, KINDS, SOURCES
from outcomes.methods import families
from outcomes.release.package.method import REFERENCES
from outcomes.strata import STRATA
from outcomes.thresholds import NAMES, thresholds
from registry.scoring import INSTRUMENTS


def methods(request: HttpRequest) -> HttpResponse:
    """The page, made of the same definitions that work the figures out; open to whoever is signed in."""
    context = {
        "definitions": DEFINITIONS.values(),
        "kinds": [
            (words, [source.what for source in SOURCES.values() if source.kind == kind])
            for kind, words in KINDS.items()
        ],
        "strata": [(each.title, ", ".join(each.levels.values())) for each in STRATA.values()],
        "families": families(),
        "instruments": INSTRUMENTS.values(),
        "thresholds": _thresholds(),
        "release_references": REFERENCES,
    }
    return render(request, "help/methods.html", context)


def _thresholds() -> dict[str, object]:
    rows = [
        (f"{INSTRUMENTS[each.instrument].name} {each.scale}", NAMES[each.kind], each.limit, each.judged)
        for each in thresholds()
    ]
    columns = ("Scale", "Of what", "Threshold", "From whom")
    return {"caption": "Published thresholds of scores", "columns": columns, "rows": rows}
